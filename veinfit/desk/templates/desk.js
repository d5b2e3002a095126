"use strict";
/* What all pages of the desk share: asking, telling, small elements. Texts are never markup. */
const desk = (() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const get = (id) => document.getElementById(id);
  function make(kind, text = "", kin = [], more = {}) {
    const element = document.createElement(kind);
    element.textContent = text;
    element.append(...kin);
    Object.assign(element, more);
    return element;
  }
  function fault(text) {
    get("fault").hidden = !text;
    get("fault").textContent = text ? text[0].toUpperCase() + text.slice(1) : "";
    if (text) get("fault").scrollIntoView({ block: "nearest" });
  }
  const ENDED = "The desk has ended, or this page is of an earlier one; start it again. "
    + "Nothing that was saved is lost.";
  /* Returns what was answered, or null with the fault told. */
  async function ask(path, body) {
    try {
      const answer = await fetch(path, body && { method: "POST", headers: { "Content-Type":
        "application/json" }, body: JSON.stringify(body) });
      if (!answer.ok) { fault(answer.status === 404 ? ENDED : `Refused (${answer.status}).`); return null; }
      const told = await answer.json();
      if (told.fault && body) { fault(told.fault); return null; }
      return told;
    } catch {
      fault(ENDED);
      return null;
    }
  }
  function reading(text) {
    get("reading").hidden = !text;
    get("reading").textContent = text ? `${text[0].toUpperCase()}${text.slice(1)}.` : "";
    document.body.classList.toggle("reading", Boolean(text));
  }
  const SIGNS = {
    failed: "M3 3 17 17M17 3 3 17", signed: "M10 2a8 8 0 1 0 .01 0z",
    reviewed: "M10 2.5a7.5 7.5 0 0 0 0 15z", cancelled: "M2 10h16",
  };
  /* A state by its word and a sign of its own form: never by colour alone. */
  function badge(state) {
    const NS = "http://www.w3.org/2000/svg", svg = document.createElementNS(NS, "svg");
    svg.setAttribute("viewBox", "0 0 20 20");
    svg.setAttribute("class", "sign");
    for (const [k, v] of [["width", 16], ["height", 16], ["aria-hidden", "true"]]) svg.setAttribute(k, v);
    const draw = (kind, more) => {
      const one = document.createElementNS(NS, kind);
      for (const [k, v] of Object.entries(more)) one.setAttribute(k, v);
      svg.append(one);
    };
    const line = { fill: "none", stroke: "currentColor", "stroke-width": 2.5 };
    if (state !== "failed" && state !== "cancelled") draw("circle", { cx: 10, cy: 10, r: 7.5, ...line });
    if (state === "running" || state === "waiting") draw("path", { d: "M10 5v5l4 3", ...line });
    if (state === "to review") draw("circle", { cx: 10, cy: 10, r: 2.5, fill: "currentColor" });
    if (SIGNS[state]) draw("path", { d: SIGNS[state], ...(state === "reviewed" || state === "signed"
      ? { fill: "currentColor" } : line) });
    return make("span", "", [svg, state], { className: state === "failed" ? "badge strong" : "badge" });
  }
  function left(seconds) {
    if (seconds === null || seconds === undefined) return "";
    if (seconds < 20) return "a few seconds left";
    if (seconds < 45) return "about half a minute left";
    if (seconds < 90) return "about a minute left";
    return `about ${Math.round(seconds / 60)} minutes left`;
  }
  const two = (number) => String(number).padStart(2, "0");
  /* Times are kept in UTC and shown as this machine's clock has them, with the zone. */
  function local(text) {
    const at = new Date(text);
    if (!/T.*Z$/.test(text) || Number.isNaN(at.getTime())) return { day: text, clock: "" };
    const off = -at.getTimezoneOffset(), size = Math.abs(off), minutes = size % 60 ? `:${two(size % 60)}` : "";
    return { day: `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`,
      clock: `${two(at.getHours())}:${two(at.getMinutes())} UTC${off ? `${off < 0 ? "−" : "+"}${Math.floor(size / 60)}${minutes}` : ""}` };
  }
  const clock = (text) => { const { day, clock: rest } = local(text); return rest ? `${day} ${rest}` : day; };
  for (const one of document.querySelectorAll("time")) one.textContent = clock(one.dateTime);
  /* A word's definition and drawing, where the word stands: what was typed on this page stays. */
  async function explain(link) {
    const [address, word] = link.getAttribute("href").split("#");
    const told = await fetch(address).then((answer) => (answer.ok ? answer.text() : "")).catch(() => "");
    const term = new DOMParser().parseFromString(told, "text/html").getElementById(word);
    if (!term) { location.href = link.href; return; }
    const close = make("button", "Close", [], { type: "button", className: "main" });
    const more = make("a", "All words and definitions", [], { href: address, target: "_blank", rel: "noopener" });
    const meaning = make("div", "", [...document.importNode(term.nextElementSibling, true).childNodes]);
    const box = make("dialog", "", [make("h2", term.textContent, [], { id: "word-head" }), meaning,
      make("div", "", [close, more], { className: "row" })], { id: "word" });
    box.setAttribute("aria-labelledby", "word-head");
    close.addEventListener("click", () => box.close());
    box.addEventListener("close", () => { box.remove(); link.focus(); });
    document.body.append(box);
    box.showModal();
  }
  document.addEventListener("click", (event) => {
    const link = event.target.closest?.("a[href*='help#']");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    explain(link);
  });
  const size = (bytes) => (bytes > 1e6 ? `${(bytes / 1e6).toFixed(1)} MB` : `${Math.ceil(bytes / 1e3)} kB`);
  return { data, get, make, fault, ask, reading, badge, left, size, local, clock };
})();
