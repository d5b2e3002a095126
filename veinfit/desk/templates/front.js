/* The list of cases: kept up to date, searched, filtered. */
(() => {
  const { data, get, make, fault, ask, reading, badge, left, local, clock } = desk;
  const STATES = ["failed", "to review", "new", "cancelled", "running", "waiting", "reviewed", "signed"];
  const POLL_MS = 2000;
  let cases = data.cases, drawn = "";
  const chosen = new Set();
  for (const state of STATES) get("filter").append(make("option", state, [], { value: state }));

  function shown() {
    const words = get("search").value.toLowerCase().split(/\s+/).filter(Boolean);
    const filter = get("filter").value;
    return cases.filter((one) => {
      const text = `${one.name} ${one.title} ${one.state} ${one.reason} ${clock(one.date)}`.toLowerCase();
      const fits = filter === "" || one.state === filter
        || (filter === "doubt" && one.summary?.doubtful.length);
      return fits && words.every((word) => text.includes(word));
    });
  }
  function stateCell(one) {
    const cell = make("td", "", [badge(one.state)]);
    if (one.state === "running" && one.progress) {
      const { stage, share, left_s: rest } = one.progress;
      cell.append(make("small", `${stage}; ${left(rest)}`), make("progress", "", [],
        { max: 1, value: share, ariaLabel: `Progress of ${one.title}` }));
    } else if (one.state === "waiting") {
      cell.append(make("small", one.before ? `${one.before} before it` : "next"));
    } else if (one.reason) cell.append(make("small", one.reason));
    if (one.outdated && one.outdated !== one.reason) cell.append(make("small", `The results are from before: ${one.outdated}`));
    return cell;
  }
  function row(one) {
    const box = make("input", "", [], { type: "checkbox", checked: chosen.has(one.name),
      disabled: !one.summary, ariaLabel: `Choose ${one.title}` });
    box.addEventListener("change", () => {
      if (box.checked) chosen.add(one.name); else chosen.delete(one.name);
      get("leave-open").disabled = get("study-open").disabled = !chosen.size;
    });
    const address = encodeURIComponent(one.name);
    const picture = one.picture ? make("img", "", [], { alt: "", loading: "lazy",
      src: `thumb/${address}?${one.summary?.sha256.slice(0, 8)}` })
      : make("span", "", [], { className: "blank" });
    const link = make("a", one.title, [], { href: `case/${address}/` });
    const name = make("td", "", [link]);
    if (one.title !== one.name) name.append(make("small", one.name));
    const doubt = one.summary ? one.summary.doubtful.join(", ") || "none" : "";
    return make("tr", "", [make("td", "", [box]), make("td", "", [picture]), name, stateCell(one),
      make("td", doubt), make("td", one.summary?.seals ?? ""),
      make("td", local(one.date).day, [make("small", local(one.date).clock)], { className: "date" })]);
  }
  function draw() {
    const list = shown(), mark = JSON.stringify(list);
    get("listing").hidden = !cases.length;
    const all = `${cases.length} ${cases.length === 1 ? "case" : "cases"}`;
    get("count").textContent = list.length === cases.length ? all : `${list.length} of ${all}`;
    const ready = cases.filter((one) => one.state === "new" && !one.reason).length;
    get("run-ready").hidden = !ready;
    get("run-ready").textContent = ready === 1 ? "Run the one that is ready" : `Run the ${ready} that are ready`;
    if (mark === drawn) return;
    drawn = mark;
    // What has the focus keeps it, by its address or its name.
    const at = document.activeElement, key = at?.getAttribute?.("href") ?? at?.ariaLabel;
    get("rows").replaceChildren(...list.map(row));
    if (key && get("rows").contains(at) === false) {
      const same = [...get("rows").querySelectorAll("a, input")]
        .find((one) => (one.getAttribute("href") ?? one.ariaLabel) === key);
      same?.focus({ preventScroll: true });
    }
  }
  async function poll() {
    if (!document.hidden) {
      const told = await ask("states");
      if (told?.cases) { cases = told.cases; reading(told.reading); draw(); }
      if (!told) return;
    }
    setTimeout(poll, POLL_MS);
  }
  function many(files) {
    const box = get("many");
    get("many-told").textContent = `${files.length} files: ${files.slice(0, 6).map((f) => f.name).join(", ")}${files.length > 6 ? " …" : ""}. Label files of one patient belong to one case.`;
    return new Promise((resolve) => {
      for (const button of box.querySelectorAll("button")) {
        button.onclick = () => { box.close(); resolve(button.value); };
      }
      box.oncancel = () => resolve("");
      box.showModal();
    });
  }
  takingIn.drop(get("drop"), get("files"), async (files) => {
    fault("");
    const how = takingIn.several(files) ? await many(files) : "one";
    if (!how) return;
    const made = await takingIn.newCases(files, how === "each", (text) => { get("sending").textContent = text; });
    get("sending").textContent = "";
    if (made.length === 1 && get("fault").hidden) location.href = `case/${encodeURIComponent(made[0])}/`;
  });
  get("sample").addEventListener("click", async () => {
    get("sample").disabled = true;
    get("sending").textContent = "The sample is being drawn; that takes some ten seconds…";
    const told = await ask("sample", {});
    get("sending").textContent = "";
    get("sample").disabled = false;
    if (told) location.href = `case/${encodeURIComponent(told.name)}/`;
  });
  if (data.loose.length) {
    const [several, them] = data.loose.length > 1 ? ["files of this folder are", "them"] : ["file of this folder is", "it"];
    const button = make("button", data.loose.length > 1 ? "Make cases of them" : "Make a case of it", [], { type: "button" });
    button.addEventListener("click", async () => {
      if (await ask("loose", {})) get("loose").hidden = true;
    });
    get("loose").append(`${data.loose.length} ${several} in no case yet: ${data.loose.slice(0, 6).join(", ")}${data.loose.length > 6 ? " …" : ""}. A case refers to ${them}; nothing is copied. `, button);
    get("loose").hidden = false;
  }
  get("run-ready").addEventListener("click", () => ask("run-ready", {}));
  get("search").addEventListener("input", draw);
  get("filter").addEventListener("change", draw);
  get("leave-open").addEventListener("click", () => leaving.open([...chosen], "",
    cases.filter((one) => chosen.has(one.name) && one.outdated).map((one) => [one.title, one.outdated])));
  get("study-open").addEventListener("click", () => studying.open([...chosen]));
  reading(data.reading);
  draw();
  setTimeout(poll, POLL_MS);
})();
