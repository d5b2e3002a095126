"use strict";
/* The review page: what is corrected, what becomes of it, and saving it. */
(() => {
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const get = (id) => document.getElementById(id);
  const scene = read("scene"), review = read("review");
  const MOVES = ["shift_mm", "tilt_deg", "tilt_toward_h"], PLANE = ["centre_mm", "normal"];
  const MOVED = ["shift", "tilt", "toward"], WAIT_MS = 120;
  const viewer = createViewer(get("stage"), scene);
  if (viewer === null) {
    get("missing").hidden = false;
    get("stage").hidden = get("looks").hidden = true;
  } else {
    viewer.canvas.setAttribute("role", "application");
    viewer.canvas.setAttribute("aria-label", "Left atrium and balloons");
    viewer.canvas.setAttribute("aria-describedby", "hands");
    viewer.onChange((state) => { get("projection").textContent = state.name; });
  }

  const entries = createEntries(review.names);
  const predicted = createRunWords(review.run, entries);
  const image = review.image && createImagePanel(review.image, send, (of) => dragged(of));
  /* Planes as they were found: pictures of the image stay where these are. */
  const found = scene.veins.map(({ centre, normal, axis }) => ({ centre, normal, axis }));
  let closed = "", chosen = null, size = 0, asked = 0, waiting = null, unfit = false;
  /* Where in the scene a vein is; an added one once it was measured. */
  const inScene = new Map(scene.veins.map((vein, k) => [vein.name, k]));
  const place = () => inScene.get(chosen) ?? -1;

  const make = (kind, text) => {
    const element = document.createElement(kind);
    element.textContent = text;
    return element;
  };
  async function send(path, body) {
    const of = review.of ? `?of=${encodeURIComponent(review.of)}` : "";
    try {
      const answer = await fetch(path + of, body && { method: "POST", headers: { "Content-Type":
        "application/json" }, body: JSON.stringify(body) });
      if (answer.ok) return answer.json();
      return { fault: `The review has ended (${answer.status}); ${saving.left("start it again.")}` };
    } catch {
      return { fault: `The review has ended; ${saving.left("start it again.")}` };
    }
  }
  /* A preview that is well takes only its own complaint away. */
  const faults = { saving: "", preview: "", adding: "" };
  function fault(of, text) {
    faults[of] = text ?? "";
    const said = [...new Set(Object.values(faults).filter(Boolean))].join("\n");
    get("fault").hidden = !said;
    get("fault").textContent = said;
  }
  function radio(group, name, label, on, act) {
    const input = document.createElement("input");
    Object.assign(input, { type: "radio", name, value: label, checked: on });
    input.addEventListener("change", act);
    const line = document.createElement("label");
    line.append(input, ` ${label}`);
    group.append(line);
  }
  for (const name of review.allowed) get("rename").append(make("option", name));

  /* The list of veins: those that were found, and those that are added. */
  function veins() {
    const shown = [...get("veins").querySelectorAll("input")].map((input) => input.value);
    if (shown.join() === entries.keys().join()) return;
    get("veins").querySelectorAll("label").forEach((line) => line.remove());
    for (const key of entries.keys()) {
      radio(get("veins"), "vein", key, key === chosen, () => choose(key));
    }
    for (const [key, k] of inScene) {
      if (viewer && entries.isAdded(key)) viewer.setVein(k, { gone: !entries.of(key) });
    }
    if (chosen !== null && !entries.of(chosen)) choose(review.names[0]);
  }
  function choose(key) {
    chosen = key;
    get("veins").querySelectorAll("input").forEach((one) => { one.checked = one.value === key; });
    const k = place();
    if (viewer && k >= 0) viewer.choose(k, scene.veins[k].fits.length ? size : null);
    sizes();
    fill();
    imaged();
    ask();
  }
  const fixed = () => closed || entries.of(chosen)?.drop || chosen === "LAA" || entries.isAdded(chosen);
  function imaged() {
    const k = place(), vein = scene.veins[k];
    if (!image || !vein) return;
    found[k] ??= { centre: vein.centre, normal: vein.normal, axis: vein.axis };
    image.show(found[k], vein, !fixed());
    image.balloon(vein.fits[size]);
  }
  function sizes() {
    const group = get("sizes"), fits = scene.veins[place()]?.fits ?? [];
    group.querySelectorAll("label").forEach((line) => line.remove());
    size = Math.min(size, Math.max(fits.length - 1, 0));
    fits.forEach((fit, k) => radio(group, "size", fit.title, k === size, () => {
      size = k;
      if (viewer) viewer.choose(place(), k);
      if (image) image.balloon(fits[k]);
      tell();
    }));
    group.hidden = fits.length < 2;
  }

  /* ---- the vein's entry on the page ---- */
  function fill() {
    const entry = entries.of(chosen), called = entries.called(chosen);
    const isAdded = entries.isAdded(chosen);
    get("edit").hidden = false;
    if (![...get("rename").options].some((o) => o.value === called)) {
      get("rename").append(make("option", called));
    }
    get("shift").value = entry.shift_mm ?? 0;
    get("tilt").value = entry.tilt_deg ?? 0;
    get("toward").value = entry.tilt_toward_h ?? 0;
    get("rename").value = called;
    get("drop").checked = entry.drop === true;
    get("who").value = entry.who ?? get("who").value;
    get("why").value = entry.why ?? "";
    get("plane").hidden = !("centre_mm" in entry);
    for (const id of MOVED) get(id).disabled = get(`${id}-told`).disabled = Boolean(fixed());
    const astray = entries.isAstray(chosen);
    get("rename").disabled = Boolean(closed) || entry.drop === true || astray;
    get("drop").disabled = Boolean(closed) || chosen === "LAA" || isAdded;
    get("words").disabled = Boolean(closed);
    get("undo").textContent = astray ? "Take this correction out"
      : isAdded ? "Remove this vein" : "Undo this vein's correction";
    outputs();
    list();
  }
  /* What is set, finer than the slides have steps. */
  function set() {
    const entry = entries.of(chosen) ?? {};
    return { shift: entry.shift_mm ?? 0, tilt: entry.tilt_deg ?? 0, toward: entry.tilt_toward_h ?? Number(get("toward").value) };
  }
  function outputs() {
    const now = set(), hour = now.toward || 12;
    for (const [id, value] of [["shift", now.shift], ["tilt", now.tilt], ["toward", hour]]) {
      const box = get(`${id}-told`);
      // A number that is being typed is left alone.
      if (box !== document.activeElement) box.value = value;
    }
    get("toward").setAttribute("aria-valuetext", `${hour} o'clock`);
  }
  function list() {
    const gone = saving.gone().map((vein) => `${vein}: as it was found; saving removes its saved correction`);
    get("list").replaceChildren(...[...entries.all().map(entries.words), ...gone].map((text) => make("li", text)));
    const hindrance = saving.hindrance();
    get("hindrance").textContent = hindrance;
    get("save").disabled = Boolean(hindrance) || unfit;
    get("undo").disabled = !entries.corrected(chosen);
    veins();
    for (const line of get("veins").querySelectorAll("label")) {
      const key = line.firstChild.value, said = entries.state(key);
      const name = entries.isAdded(key) ? entries.called(key) : key;
      line.lastChild.textContent = said ? ` ${name} (${said})` : ` ${name}`;
      mark(key, name, said);
    }
  }
  /* Shows in the 3D view what became of a vein. */
  function mark(key, name, said) {
    const vein = scene.veins[inScene.get(key)];
    if (!viewer || !vein || vein.told === said) return;
    viewer.setVein(inScene.get(key), { told: said, dropped: said === "dropped" });
    viewer.tellName(name, said);
  }
  function changed() {
    saving.touch();
    outputs();
    list();
    if (waiting !== null) clearTimeout(waiting);
    waiting = setTimeout(ask, WAIT_MS);
  }
  /* Slides have steps; a hand on the image is finer. */
  function moved(exact = null) {
    const entry = entries.of(chosen);
    for (const key of [...MOVES, ...PLANE]) delete entry[key];
    if (exact) for (const id of Object.keys(exact)) get(id).value = exact[id];
    const [shift, tilt, toward] = MOVED
      .map((id) => exact?.[id] ?? Number(get(id).value));
    if (shift || tilt) entry.shift_mm = shift;
    if (tilt) Object.assign(entry, { tilt_deg: tilt, tilt_toward_h: toward });
    get("plane").hidden = true;
    words(entry);
    changed();
  }
  function words(entry) {
    entry.who = get("who").value.trim();
    entry.why = get("why").value.trim();
  }
  for (const id of MOVED) {
    const box = get(`${id}-told`);
    get(id).addEventListener("input", () => moved());
    box.addEventListener("input", () => {
      if (box.value === "" || !box.checkValidity()) return;
      moved({ ...set(), [id]: id === "toward" ? box.valueAsNumber % 12 : box.valueAsNumber });
    });
    box.addEventListener("change", () => { box.value = set()[id] || (id === "toward" ? 12 : 0); });
  }
  get("rename").addEventListener("change", () => {
    const entry = entries.of(chosen), name = get("rename").value;
    if (entries.isAdded(chosen)) {
      const k = inScene.get(chosen);
      inScene.delete(chosen);
      entry.vein = name;
      chosen = `+${name}`;
      if (k !== undefined) inScene.set(chosen, k);
    } else if (name === chosen) delete entry.rename; else entry.rename = name;
    words(entry);
    changed();
  });
  get("drop").addEventListener("change", () => {
    const entry = entries.of(chosen);
    for (const key of Object.keys(entry)) delete entry[key];
    if (get("drop").checked) entry.drop = true;
    words(entry);
    fill();
    changed();
  });
  for (const id of ["who", "why"]) {
    get(id).addEventListener("input", () => { words(entries.of(chosen)); saving.touch(); list(); });
  }
  get("undo").addEventListener("click", () => {
    entries.clear(chosen);
    if (entries.of(chosen)) fill();
    changed();
  });

  const saving = createSaving({ get, make, send, entries, draftKey: `veinfit ${location.pathname}`,
    input: review.input,
    fault: (text) => fault("saving", text),
    changed() { if (chosen && entries.of(chosen)) fill(); list(); ask(); } });

  /* ---- what becomes of it ---- */
  /* The measures first, which are quick, then the seats; an answer that came too late is dropped. */
  async function ask() {
    waiting = null;
    const turn = ++asked, vein = chosen;
    if (vein === null || !entries.of(vein)) return;
    if (entries.clashes().length) { settle(turn); return; }
    for (const [seats, first] of [[false, null], [true, size], [true, null]]) {
      get("busy").textContent = seats ? "– seating the balloons …" : "– measuring …";
      const added = entries.isAdded(vein);
      const answer = await send("preview",
        { vein: added ? vein.slice(1) : vein, added, entries: entries.all(), seats, first });
      if (turn !== asked) return;
      // Another page of this review asked later: ask again when it is served.
      if (answer.superseded) { waiting = setTimeout(ask, 4 * WAIT_MS); return; }
      unfit = Boolean(answer.fault);
      list();
      fault("preview", answer.fault);
      if (answer.fault) { stale(vein); break; }
      show(vein, answer);
      if (vein === "LAA" || answer.vein === null || (seats && answer.whole)) break;
    }
    settle(turn);
  }
  function stale(vein) {
    const shape = scene.veins[inScene.get(vein)];
    if (shape) shape.fits = shape.fits.map((fit) => ({ ...fit, stale: true }));
    get("told").dataset.now = entries.called(vein);
    tell();
  }
  function settle(turn) {
    get("busy").textContent = "";
    document.body.dataset.settled = String(turn);
  }
  function show(vein, answer) {
    get("measures").tBodies[0].replaceChildren(...measureLines(answer.rows, make));
    get("measures").hidden = !answer.rows.length;
    get("cautions").replaceChildren(...answer.cautions.map((text) => make("li", text)));
    if (answer.vein && viewer && entries.isAdded(vein) && !inScene.has(vein)) {
      inScene.set(vein, viewer.addVein({ ...answer.vein, fits: [] }));
      viewer.choose(inScene.get(vein), null);
      list();
    }
    const k = inScene.get(vein) ?? -1;
    if (k >= 0 && answer.vein) {
      // Its place in the list goes by the automatic name, whatever it is called now.
      const { fits, patch, name, told, ...shape } = answer.vein;
      if (answer.seated) {
        scene.veins[k].fits = answer.whole ? fits : seatsSoFar(scene.veins[k].fits, fits);
        if (viewer && patch) viewer.setPatch(k, patch);
        sizes();
        if (viewer) viewer.choose(k, fits.length ? size : null);
      } else {
        scene.veins[k].fits = scene.veins[k].fits.map((fit) => ({ ...fit, stale: true }));
      }
      if (viewer) viewer.setVein(k, shape); else Object.assign(scene.veins[k], shape);
    }
    // No balloon lies before what is no vein.
    if (k >= 0 && answer.vein === null && viewer) viewer.choose(k, null);
    imaged();
    tell(answer);
  }
  function tell(answer = null) {
    const box = get("told"), vein = scene.veins[place()], fits = vein?.fits ?? [];
    if (answer) box.dataset.now = answer.name;
    const lines = [make("h2", box.dataset.now ?? entries.called(chosen))], before = predicted.of(chosen);
    if (answer?.vein === null) lines.push(make("p", `Not measured: ${answer.lost}`));
    // What the run predicted holds for a vein that is as the run had it.
    else if (!before.holds) for (const fit of fits) {
      const line = make("p", `${fit.title}: ${fit.verdict}`);
      if (fit.stale) line.style.opacity = "0.5";
      lines.push(line);
    }
    box.replaceChildren(...lines, ...before.lines);
  }

  /* ---- a vein that was missed ---- */
  let adding = false;
  const FIRM_PX = 4;
  function addMode(on) {
    adding = on;
    fault("adding", "");
    get("add").setAttribute("aria-pressed", String(on));
    get("add-told").hidden = !on;
    if (!viewer) return;
    viewer.canvas.style.cursor = on ? "crosshair" : "";
    if (on) { viewer.choose(null, null); viewer.canvas.focus(); }
  }
  get("add").addEventListener("click", () => addMode(!adding));
  window.addEventListener("keydown", (event) => { if (event.key === "Escape") addMode(false); });
  async function addAt(ray) {
    const answer = await send("place", { entries: [], ...ray });
    if (answer.fault) { fault("adding", answer.fault); return; }
    addMode(false);
    const name = entries.free([...answer.names, ...review.veins])[0];
    entries.add({ vein: name, add_at_mm: answer.point, who: get("who").value.trim(), why: "" });
    saving.touch();
    chosen = `+${name}`;
    list();
    choose(chosen);
  }
  if (viewer) viewer.intercept(({ ray, x, y }) => {
    if (!adding) return null;
    let last = [x, y], firm = true;
    return {
      move(at) {
        if (Math.hypot(at.x - x, at.y - y) > FIRM_PX) firm = false;
        if (!firm) viewer.turn(-(at.x - last[0]) * 0.4, (at.y - last[1]) * 0.4);
        last = [at.x, at.y];
      },
      end() { if (firm) addAt(ray); },
    };
  });
  else get("add").hidden = true;

  /* ---- the plane in hand, on the image ---- */
  let from = null;
  function dragged({ start, by, tilt, toward }) {
    const entry = entries.of(chosen), slide = get("shift");
    const now = { shift: entry.shift_mm ?? 0, tilt: entry.tilt_deg ?? 0,
      toward: entry.tilt_toward_h ?? 0 };
    if (start) { from = now; return; }
    if (by !== undefined) {
      now.shift = Math.min(Number(slide.max), Math.max(Number(slide.min), from.shift + by));
      now.shift = Number(now.shift.toFixed(2));
    } else {
      now.tilt = Number(tilt.toFixed(1));
      now.toward = Number(toward.toFixed(1)) % 12;
    }
    moved(now);
  }

  /* ---- the plane in hand ---- */
  if (viewer) handlePlane(viewer, {
    vein: () => (entries.of(chosen)?.drop || chosen === "LAA" || entries.isAdded(chosen)
      ? null : scene.veins[place()] ?? null),
    shift: () => Number(get("shift").value),
    shiftTo(mm) { get("shift").value = mm; moved(); },
    show: (centre) => viewer.setVein(place(), { centre }),
  });

  if (viewer) {
    get("along").addEventListener("click", () => {
      const vein = scene.veins[place()];
      if (vein) viewer.lookFrom(vein.axis.map((c) => -c));
    });
    get("aside").addEventListener("click", () => viewer.reset());
    get("nearer").addEventListener("click", () => viewer.zoom(1.25));
    get("farther").addEventListener("click", () => viewer.zoom(0.8));
    viewer.choose(null, null);
  }
  const first = review.names.find((name) => inScene.has(name)) ?? review.names[0];
  if (viewer) showKey(scene, viewer, get);
  saving.begin().then((there) => {
    closed = there.closed ?? "";
    if (there.who) get("who").value = there.who;
    get("closed").hidden = !closed;
    get("closed").textContent = closed;
    for (const id of ["missed", "save", "undo"]) get(id).hidden = Boolean(closed);
    list();
    if (first) choose(first);
  });
})();
