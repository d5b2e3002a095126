/* Files and parts of a case: what they are, which part is what, landmarks. */
const settingUp = (() => {
  const { data, get, make, fault, ask, size } = desk;
  const KINDS = { mesh: "surface mesh", labels: "label file", image: "image", data: "data of a header",
    "label map": "label map", landmarks: "landmarks", corrections: "corrections", settings: "settings",
    unusable: "cannot be used" };
  let told = null, view = null, marks = {}, seen = new Set(), rows = [], shown = "";
  const who = () => get("who")?.value ?? data.who;

  function fileCard(file) {
    const out = make("button", "Remove", [], { type: "button", ariaLabel: `Remove ${file.name}` });
    out.addEventListener("click", async () => {
      if (await ask("take-out", { path: file.path, who: who() })) load();
    });
    const grouped = file.path === "inputs";
    const facts = make("dl", "", file.told.map(([name, value]) =>
      make("div", "", [make("dt", name), make("dd", value)])));
    const card = make("div", "", [make("h3", file.name),
      `${KINDS[file.kind] ?? file.kind}${file.bytes ? `, ${size(file.bytes)}` : ""} `, ...(grouped ? [] : [out]), facts],
    { className: file.fault ? "file bad" : "file" });
    if (file.fault) card.append(make("p", file.fault, [], { role: "alert", className: "caution" }));
    for (const text of file.remarks ?? []) card.append(make("p", text, [], { className: "hands" }));
    if (file.more_parts) card.append(make("p", `${file.more_parts} more parts, all smaller, are not listed.`, [], { className: "hands" }));
    return card;
  }
  function select(k) {
    rows.forEach((row, i) => row.line.setAttribute("aria-selected", String(i === k)));
    const row = rows[k];
    const part = row && view ? view.index(row.file, row.value) : -1;
    view?.show(part < 0 ? null : part);
  }
  function partRows() {
    const named = new Map(told.assigned.map(([file, value, name]) => [`${file}|${value}`, name]));
    const labels = told.files.filter((file) => file.kind === "labels" && !file.fault);
    rows = [];
    get("parts").replaceChildren(...labels.flatMap((file) => file.parts.map((part) => {
      const text = `${labels.length > 1 ? `${file.name}: ` : ""}${part.value}${part.text ? ` ${part.text}` : ""}`;
      const swatch = make("span", "", [], { className: "swatch" });
      swatch.style.background = view?.colour(file.name, part.value) ?? "none";
      const input = make("input", "", [], { type: "text", value: named.get(`${file.name}|${part.value}`) ?? "",
        placeholder: "not used", ariaLabel: `What part ${text} is` });
      input.setAttribute("list", "part-names");
      const k = rows.length;
      const button = make("button", "", [swatch, text], { type: "button", title: "Show this part" });
      const canvas = make("canvas", "", [], { tabIndex: 0, ariaLabel: `Part ${text}; left and right arrow keys turn it`, title: "Drag to turn" });
      canvas.setAttribute("role", "img");
      const line = make("tr", "", [make("td", "", [canvas, button]), make("td", part.volume_ml.toFixed(1)),
        make("td", "", [input])]);
      button.addEventListener("click", () => select(k));
      input.addEventListener("focus", () => select(k));
      canvas.addEventListener("focus", () => select(k));
      rows.push({ file: file.name, value: part.value, input, line, canvas });
      return line;
    })));
    get("parts-asks").hidden = !rows.length;
    const drawn = rows.map((row) => [view?.index(row.file, row.value) ?? -1, row.canvas]);
    for (const [k, canvas] of drawn) canvas.hidden = k < 0;
    view?.smalls(drawn.filter(([k]) => k >= 0));
    const from = told.source === "stated" ? "These parts are saved for this case. Correct what is wrong, then save again." : told.source
      ? `Proposed by ${told.source}: look at the picture, correct what is wrong, then confirm.`
      : "Click a part in the picture or in the list, and say what it is. One is left_atrium.";
    get("parts-told").textContent = from;
    get("parts-save").textContent = told.source === "stated" ? "Save the parts" : "These are the parts";
  }
  function meshAsks() {
    const mesh = told.files.find((file) => file.kind === "mesh" && !file.fault);
    get("mesh-asks").hidden = !mesh;
    if (!mesh) return;
    for (const radio of document.querySelectorAll("input[name=frame]")) radio.checked = radio.value === data.options.frame;
    const fits = mesh.units.length === 1 ? mesh.units[0] : "";
    get("unit").value = data.options.unit || "";
    get("unit-told").textContent = fits && !data.options.unit ? `Its size fits ${fits}.` : "";
  }
  const named = () => rows.map((row) => [row.file, row.value, row.input.value.trim()]);
  const saveParts = () => ask("parts", { parts: named(), who: who(), keep_as: get("keep-map").checked ? get("keep-as").value : "" });
  /* Saves parts that were named here and are not what is saved; true where nothing hinders. */
  async function saveNamed() {
    const now = named().filter(([,, name]) => name);
    const saved = told?.source === "stated" ? told.assigned.filter(([,, name]) => name) : [];
    const key = (list) => JSON.stringify([...list].sort());
    if (!now.length || key(now) === key(saved)) return true;
    if (key(now) === key(told.assigned.filter(([,, name]) => name))) {
      fault("These parts are only proposed: look at them, and confirm them with “These are the parts”.");
      return false;
    }
    return Boolean(await saveParts());
  }
  async function state(options) {
    const answer = await ask("options", { options, who: who() });
    if (!answer) return false;
    data.options = { ...data.options, ...answer.options };
    return true;
  }
  function markList() {
    get("marks").replaceChildren(...Object.entries(marks).map(([name, points]) => {
      const last = make("button", "take back the last point", [], { type: "button", ariaLabel: `Take back the last point of ${name}` });
      last.addEventListener("click", () => { points.pop(); if (!points.length) delete marks[name]; saveMarks(); });
      return make("li", `${name}: ${points.length} ${points.length > 1 ? "points" : "point"} `, [last]);
    }));
    view?.marks(marks);
  }
  async function saveMarks() {
    markList();
    /* What this page never showed is kept: the names that it did show go with what is left of them. */
    for (const name of Object.keys(marks)) seen.add(name);
    const answer = await ask("landmarks", { marks, seen: [...seen], who: who() });
    get("marks-saved").textContent = answer ? "Saved." : "";
  }
  const markName = () => (get("mark-which").value || get("mark-name").value.trim());
  function addMark(place) {
    const name = markName(), point = place.map((c) => Math.round(100 * c) / 100);
    if (!name) { fault("Say which landmark it is."); return; }
    if (name === "septal_crossing" || name === "inferior_vena_cava") marks[name] = [point];
    else (marks[name] ??= []).push(point);
    saveMarks();
  }
  async function draw() {
    const sources = told.files.filter((file) => ["mesh", "labels"].includes(file.kind) && !file.fault);
    get("shaping").hidden = get("marks-asks").hidden = !sources.length;
    const mark = JSON.stringify([sources.map((f) => f.sha256), data.options.frame, data.options.unit]);
    if (!sources.length || mark === shown) return;
    shown = mark;
    get("setup-busy").textContent = "The parts are being drawn…";
    const found = await ask("shapes");
    get("setup-busy").textContent = "";
    if (!found?.scene) return;
    const old = get("stage-box").querySelectorAll("canvas, .names");
    old.forEach((one) => one.remove());
    const one = shapes.create(get("stage-box"), found, (part, place) => {
      if (get("mark-set").ariaPressed === "true") { addMark(place); return; }
      const { file, value } = found.parts[part];
      const k = rows.findIndex((row) => row.file === file && row.value === value);
      if (k < 0) return;
      select(k);
      rows[k].input.focus();
    });
    get("no-view").hidden = one !== null;
    get("stage-box").hidden = get("view-tools").hidden = one === null;
    const key = (p) => `${p.file}|${p.value}`;
    const places = new Map(found.parts.map((p, k) => [key(p), k]));
    view = one && { ...one, index: (file, value) => places.get(`${file}|${value}`) ?? -1,
      colour: (file, value) => found.parts[places.get(`${file}|${value}`)]?.colour };
    if (one && data.state.turned) contradiction(one, data.state.turned);
    one?.viewer.onChange((now) => { get("projection").textContent = now.name; });
    one?.viewer.look(0, 0);
  }
  /* Beside each other: how the shape was read, and how a left atrium would lie. */
  const STILL_PX = 300;
  function contradiction(one, axes) {
    const still = (words, more) => {
      const canvas = make("canvas", "", [], { ariaLabel: words, title: "Drag to turn", tabIndex: 0 });
      canvas.setAttribute("role", "img");
      one.still(canvas, STILL_PX, more);
      const sides = ["R", "L", "H", "F"].map((text, k) => make("span", text, [], { className: `side ${["west", "east", "north", "south"][k]}`, ariaHidden: "true" }));
      return make("figure", "", [make("div", "", [canvas, make("div", "", sides, { className: "names" })], { className: "still" }), make("figcaption", words)]);
    };
    get("wrong").replaceChildren(still("As it was read, from the front: the sides of the patient do not fit."),
      still("As a left atrium would lie, from the front.", axes));
    get("wrong").hidden = false;
  }
  let loading = Promise.resolve();
  const load = () => (loading = readFiles());
  async function readFiles() {
    document.body.dataset.ready = "begun";
    get("setup-busy").textContent = "The files are being read…";
    told = await ask("setup");
    get("setup-busy").textContent = told?.fault ?? "";
    if (!told || told.fault) return;
    get("files").replaceChildren(...told.files.map(fileCard));
    get("contradictions").replaceChildren(...told.contradictions.map((text) => make("li", text)));
    marks = told.marks;
    seen = new Set(Object.keys(marks));
    if (data.state.state === "new") get("reason").textContent = told.missing;
    meshAsks();
    await draw();
    partRows();
    markList();
    document.body.dataset.ready = "setup";
  }
  function start() {
    for (const [name, label] of data.part_names) get("part-names").append(make("option", label, [], { value: name }));
    takingIn.drop(get("drop"), get("add-files"), async (files) => {
      fault("");
      for (const file of files) {
        if (!await takingIn.put("../../", data.name, file, (text) => { get("sending").textContent = text; })) break;
      }
      get("sending").textContent = "";
      load();
    });
    for (const radio of document.querySelectorAll("input[name=frame]")) {
      radio.addEventListener("change", async () => { if (await state({ frame: radio.value })) draw().then(markList); });
    }
    get("unit").addEventListener("change", async () => { if (await state({ unit: get("unit").value })) draw().then(markList); });
    get("all-meshes").addEventListener("click", async () => {
      const options = { frame: data.options.frame, unit: data.options.unit };
      if (!options.frame || !options.unit) { fault("State frame and unit first."); return; }
      const answer = await ask("options", { options, all_meshes: true, who: who() });
      if (answer) get("all-told").textContent = `Stated for ${answer.also} more.`;
    });
    get("keep-map").addEventListener("change", () => {
      get("keep-as").disabled = !get("keep-map").checked;
      if (get("keep-map").checked) get("keep-as").focus();
    });
    get("parts-save").addEventListener("click", async () => {
      const answer = await saveParts();
      get("to-run").hidden = !answer;
      get("parts-saved").textContent = answer ? "Saved: the case can be run." : get("fault").textContent;
      if (answer) { fault(""); get("reason").textContent = ""; load(); }
    });
    get("turning").addEventListener("click", () => {
      const on = get("turning").ariaPressed !== "true";
      get("turning").ariaPressed = String(on);
      view?.turn(on);
    });
    get("front").addEventListener("click", () => view?.viewer.look(0, 0));
    get("back-side").addEventListener("click", () => view?.viewer.look(180, 0));
    get("mark-which").addEventListener("change", () => {
      get("mark-other").hidden = get("mark-which").value !== "";
      if (!get("mark-other").hidden) get("mark-name").focus();
    });
    get("mark-set").addEventListener("click", () => {
      get("mark-told").hidden = get("mark-set").ariaPressed === "true";
      get("mark-set").ariaPressed = String(get("mark-set").ariaPressed !== "true");
    });
    get("mark-add").addEventListener("click", () => {
      const numbers = get("mark-point").value.split(/[\s,;]+/).filter(Boolean).map(Number);
      if (numbers.length !== 3 || numbers.some(Number.isNaN)) { fault("Write a point as three numbers: x, y, z."); return; }
      fault("");
      addMark(numbers);
    });
  }
  return { start, load, loaded: () => loading, state, who, saveNamed };
})();
