"use strict";
/* The page around the 3D view: chooses, shows and hides, and tells what is chosen in words. */
(() => {
  const scene = JSON.parse(document.getElementById("scene").textContent);
  const get = (id) => document.getElementById(id);
  const viewer = createViewer(get("stage"), scene);
  if (viewer === null) {
    get("missing").hidden = false;
    get("tools").hidden = true;
    get("stage").hidden = true;
    return;
  }
  viewer.canvas.setAttribute("role", "application");
  viewer.canvas.setAttribute("aria-roledescription", "3D view");
  viewer.canvas.setAttribute("aria-label", "Left atrium and balloons");
  viewer.canvas.setAttribute("aria-describedby", "hands");

  const make = (kind, text, kin = []) => {
    const element = document.createElement(kind);
    element.textContent = text;
    element.append(...kin);
    return element;
  };
  function choice(group, name, label, chosen, act) {
    const input = document.createElement("input");
    Object.assign(input, { type: "radio", name, checked: chosen });
    input.addEventListener("change", act);
    const line = document.createElement("label");
    line.append(input, ` ${label}`);
    group.append(line);
  }
  const fitLabel = (fit) => fit.title;
  let size = 0, plan = null;
  function choose(vein) {
    plan = null;
    const fits = vein === null ? [] : scene.veins[vein].fits;
    size = Math.min(size, Math.max(fits.length - 1, 0));
    const group = get("sizes");
    group.querySelectorAll("label").forEach((line) => line.remove());
    fits.forEach((fit, k) => choice(group, "size", fitLabel(fit), k === size, () => {
      size = k;
      plan = null;
      viewer.choose(vein, k);
      tell();
    }));
    (vein === null ? [] : scene.veins[vein].plans ?? []).forEach((one, k) => choice(group, "size",
      one.title, false, () => {
        plan = k;
        viewer.showPlan(k);
        tell();
      }));
    group.hidden = !fits.length;
    viewer.choose(vein, fits.length ? size : null);
    get("along").disabled = get("aside").disabled = vein === null;
    get("cut").disabled = get("depth").disabled = vein === null;
    tell();
  }
  choice(get("veins"), "vein", "whole atrium", true, () => choose(null));
  scene.veins.forEach((vein, k) => choice(get("veins"), "vein",
    vein.told ? `${vein.name} (by hand)` : vein.name, false, () => choose(k)));

  function tell() {
    const { vein: v, fit: f } = viewer.state();
    const vein = scene.veins[v], fit = vein?.fits[f], box = get("told");
    box.replaceChildren();
    growing(plan === null ? fit?.growth ?? [] : []);
    if (!vein) {
      box.append(make("p", "The whole atrium. Choose a vein to see a balloon in it."));
      scene.dropped.forEach(({ name, words }) => box.append(make("p", `${name}: ${words}.`)));
      return;
    }
    box.append(make("h2", vein.words ? `${vein.name}, ${vein.words}` : vein.name));
    box.append(make("p", `${vein.size}.${vein.told ? ` Corrected: ${vein.told}.` : ""}`));
    if (vein.doubt) box.append(make("p", vein.doubt));
    if (!fit) { box.append(make("p", "No balloon was tried in this vein.")); return; }
    if (plan !== null) {
      const chosen = vein.plans[plan];
      box.append(make("p", "", [make("strong", `${chosen.title}, predicted`), `: ${chosen.words}.`]));
      const list = make("ul", "");
      list.className = "legend";
      chosen.seats.forEach((seat) => list.append(make("li", "", [swatch(seat.colour), seat.words])));
      box.append(list, make("p", "Coloured wall: cold contact of each seat; where the colours "
        + "mix, of both. Dark line: the line of least gap."));
      return;
    }
    box.append(make("p", "", [make("strong", fit.title), ` – ${fit.verdict}.`]));
    fit.leaks.forEach((leak) => box.append(make("p", `${leak.text}: ${leak.words}.`)));
    fit.lines.forEach((line) => box.append(make("p", line)));
    if (!fit.aim) return;
    const drawing = new DOMParser().parseFromString(fit.aim, "image/svg+xml").documentElement;
    const figure = make("figure", "", [document.importNode(drawing, true)]);
    figure.append(make("figcaption", `Aim map. ${scene.aim_key}`));
    box.append(figure);
  }

  /* The slider of a balloon that grows where it lies. */
  function growing(steps) {
    const slider = get("grown");
    get("growing").hidden = steps.length < 2;
    Object.assign(slider, { max: Math.max(steps.length - 1, 0), value: 0 });
    grow();
  }
  function grow() {
    const { vein, fit } = viewer.state(), step = get("grown").valueAsNumber;
    const steps = scene.veins[vein]?.fits[fit]?.growth ?? [];
    get("grows").textContent = steps.length ? `${steps[step].words}.` : "";
    get("grown").setAttribute("aria-valuetext", steps[step]?.words ?? "");
    if (steps.length && plan === null) viewer.grow(step);
  }
  get("grown").addEventListener("input", grow);
  function swatch(colour) {
    const sign = document.createElement("span");
    sign.className = "swatch";
    sign.style.background = colour;
    return sign;
  }

  const parts = [["wall", "wall"], ["gap", "gap colours"], ["balloon", "balloon"],
    ["planes", "ostial planes"], ["structures", "structures"], ["names", "names"],
    ["cut", "near wall cut away"]];
  for (const [part, label] of parts) {
    if (part === "structures" && !scene.structures.length && !scene.marks.length) continue;
    const input = document.createElement("input");
    Object.assign(input, { type: "checkbox", checked: true, id: part });
    input.addEventListener("change", () => viewer.show(part, input.checked));
    const line = document.createElement("label");
    line.append(input, ` ${label}`);
    get("parts").append(line);
  }
  get("depth").addEventListener("input", (event) => viewer.cutAt(-event.target.valueAsNumber));

  const looks = [["AP", 0, 0], ["PA", 180, 0], ["RAO 30°", -30, 0], ["LAO 45°", 45, 0],
    ["left lateral", 90, 0], ["right lateral", -90, 0]];
  for (const [label, lao, cranial] of looks) {
    const button = make("button", label);
    button.type = "button";
    button.addEventListener("click", () => viewer.look(lao, cranial));
    get("looks").append(button);
  }
  const chosen = () => scene.veins[viewer.state().vein];
  get("along").addEventListener("click", () => viewer.lookFrom(chosen().axis.map((x) => -x)));
  get("aside").addEventListener("click", () => viewer.lookFrom(chosen().side));
  get("home").addEventListener("click", () => viewer.reset());
  get("nearer").addEventListener("click", () => viewer.zoom(1.25));
  get("farther").addEventListener("click", () => viewer.zoom(0.8));

  viewer.onChange(({ name }) => { get("projection").textContent = name; });
  for (const band of scene.bands) {
    get("legend").append(make("li", "", [swatch(band.colour), band.label]));
  }
  /* What the dots and lines of this scene stand for. */
  const { colours } = scene;
  const signs = [
    [scene.veins.some((v) => v.fits.some((f) => f.leaks.length)), "dot", colours.leak,
      "widest place of a leak"],
    [scene.marks.length, "dot", scene.marks[0]?.colour, "where the sheath crosses the septum"],
    [true, "line", colours.plane, "ostium of a vein or the appendage"],
    [scene.veins.some((v) => v.fits.length), "line", colours.line, "shaft and equator of a balloon"],
    [scene.dropped.length, "line", colours.dropped, "ostium of what was dropped by hand"],
    [scene.names.some((name) => name.text === "MV"), "line", colours.ink,
      "rim of the mitral opening (MV), broken where estimated"],
  ];
  for (const [there, kind, colour, words] of signs) {
    if (!there) continue;
    const sign = document.createElement("span");
    sign.className = `swatch ${kind}`;
    sign.style[kind === "dot" ? "background" : "borderColor"] = viewer.tone(colour);
    get("signs").append(make("li", "", [sign, words]));
  }
  choose(null);
  window.viewer = viewer;
})();
