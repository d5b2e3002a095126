/* The page of one case: its run, review, signature and journal. */
(() => {
  const { data, get, make, fault, ask, reading, badge, left, clock } = desk;
  const POLL_MS = 1000, BUSY = ["running", "waiting"];
  document.querySelector(".badge").replaceWith(badge(data.state.state));
  reading(data.reading);
  if (get("who")) get("who").value = data.who;
  const on = (id, act) => get(id)?.addEventListener("click", act);
  const again = () => location.reload();

  /* ---- the run ---- */
  function progress(told) {
    get("running").hidden = !BUSY.includes(told.state);
    if (told.state === "waiting") get("stage").textContent = told.before ? `Waiting: ${told.before} before it.` : "Waiting: it is next.";
    if (told.state !== "running") return;
    if (!told.progress) return;
    const { stage, share, left_s: rest } = told.progress, words = `${stage}; ${left(rest)}`;
    // Said again only when it is another: screen readers speak every change.
    if (get("stage").textContent !== words) get("stage").textContent = words;
    get("bar").value = share;
  }
  async function poll() {
    if (!document.hidden) {
      const told = await ask("state");
      if (!told) return;
      if (told.state && !BUSY.includes(told.state)) { again(); return; }
      if (told.state) progress(told);
    }
    setTimeout(poll, POLL_MS);
  }
  progress(data.state);
  if (BUSY.includes(data.state.state)) poll();
  on("cancel", async () => { if (await ask("cancel", { who: settingUp.who() })) again(); });

  const OPTIONS = ["case_id", "phase", "image_date", "approach", "paper"];
  function fill() {
    for (const name of OPTIONS) if (get(`o-${name}`)) get(`o-${name}`).value = data.options[name] ?? "";
    if (get("o-balloons")) get("o-balloons").value = (data.options.balloons ?? []).join(", ");
  }
  function options() {
    const values = Object.fromEntries(OPTIONS.map((name) => [name, get(`o-${name}`).value]));
    return { ...values, balloons: get("o-balloons").value.split(/[\s,;]+/).filter(Boolean) };
  }
  async function run(more = {}) {
    fault("");
    get("run").disabled = true;
    // Until the files are read nobody knows what is still missing.
    get("run-told").textContent = get("setup-busy").textContent;
    await settingUp.loaded();
    // Parts that were named and not saved yet are meant.
    if (await settingUp.saveNamed() && await settingUp.state({ ...options(), ...more }) && await ask("run", { who: settingUp.who() })) again();
    get("run").disabled = false;
    get("run-told").textContent = get("fault").textContent;
  }
  on("run", () => run());
  /* What a failed run can be mended by is offered as a button. */
  function mend() {
    const ways = data.state.remedies;
    if (!ways.length || data.state.state !== "failed") return;
    get("mend").hidden = false;
    get("mend").append(make("div", "", [], { id: "wrong", className: "row", hidden: true }), make("div", "", ways.map(({ words, options: changes, act }) => {
      const button = make("button", words, [], { type: "button" });
      button.addEventListener("click", async () => {
        if (!act || await ask(act, { who: settingUp.who() })) run(changes);
      });
      return button;
    }), { className: "row" }));
  }

  /* ---- review and signature ---- */
  const signing = (act, more = () => ({})) => async () => {
    fault("");
    if (await ask(act, { who: get("who").value, ...more() })) again();
  };
  /* What is signed is what this page shows: the case may have been run again in another window. */
  const seen = () => ({ seen: data.state.summary?.sha256 ?? "" });
  on("reviewed", signing("reviewed", seen));
  on("sign", signing("sign", seen));
  on("reopen", signing("reopen", () => ({ reason: get("why").value })));
  on("leave-open", () => leaving.open([data.name], "../../", data.outdated ? [[data.name, data.outdated]] : []));
  on("what-changed", async () => {
    const link = await studying.run("../../", { kind: "changes", cases: [data.name] }, (text) => { get("changed-told").textContent = text; });
    if (link) get("changed-told").replaceChildren(...link);
  });
  const figure = (value, decimals) => (value === null ? "" : value.toFixed(decimals));
  on("compare", async () => {
    get("compared").textContent = "Both readers' corrections are being applied; that takes up to a minute…";
    const told = await ask("compare");
    if (!told?.veins) { get("compared").textContent = told?.fault ?? ""; return; }
    const head = ["Vein, first", "second", "Distance of the ostia, mm", "Angle of the planes, °", "Diameter by area, mm, first", "second", "Nominal seat, first", "second"];
    const lines = told.veins.map((v) => make("tr", "", [v.first || "none", v.second || "none",
      figure(v.apart_mm, 1), figure(v.turned_deg, 0), figure(v.diameters[0], 1),
      figure(v.diameters[1], 1), ...v.seats].map((text) => make("td", text))));
    const table = make("table", "", [make("thead", "", [make("tr", "", head.map((text) => make("th", text)))]),
      make("tbody", "", lines)]);
    const choices = ["first", "second"].map((reader) => {
      const button = make("button", `Run with the ${reader} reader's corrections`, [], { type: "button" });
      button.addEventListener("click", async () => { if (await ask("reader", { reader, who: settingUp.who() })) run(); });
      return button;
    });
    get("compared").replaceChildren(make("div", "", [table], { className: "wide" }), make("div", "", choices, { className: "row" }));
  });

  /* ---- journal ---- */
  get("journal-fold").addEventListener("toggle", async () => {
    const told = await ask("journal");
    if (!told?.entries) return;
    get("journal-told").textContent = told.altered.length
      ? `Entries that were altered after they were written: ${told.altered.join(", ")}.` : "";
    const plain = (value) => (Array.isArray(value) ? value.join(", ")
      : value && typeof value === "object" ? Object.entries(value).map((pair) => pair.join(" ")).join(", ") : value);
    const words = ({ time, who, what, after, ...more }) => {
      const rest = Object.entries(more).filter(([name]) => !["run", "result"].includes(name))
        .map(([name, value]) => `${name}: ${plain(value)}`);
      return `${clock(time)} ${who ? `${who}: ` : ""}${what}${rest.length ? ` (${rest.join("; ")})` : ""}`;
    };
    get("journal").replaceChildren(...told.entries.map((entry) => make("li", words(entry))));
  });

  /* A case that waits to be looked over has its review opened meanwhile. */
  const AHEAD_MS = 800;
  if (data.state.state === "to review" && !data.reading) {
    setTimeout(() => { if (!document.hidden) fetch(`../../review/${data.address}/first/opening`).catch(() => {}); }, AHEAD_MS);
  }

  fill();
  mend();
  if (get("setup")) {
    settingUp.start();
    const fold = get("setup-fold");
    if (data.state.state === "failed") fold.open = true;
    const first = () => { if (fold.open && !document.body.dataset.ready && !data.reading && !BUSY.includes(data.state.state)) settingUp.load(); };
    fold.addEventListener("toggle", first);
    first();
    if (data.reading) get("setup-busy").textContent = "";
  }
  document.body.dataset.settled = "1";
})();
