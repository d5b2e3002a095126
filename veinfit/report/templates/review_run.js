"use strict";
/* What the run predicted of a vein, and whether it still holds: nominal seats alone are found again
   at once, probabilities only by another run. */
const createRunWords = (run, entries) => {
  const was = createEntries(run.names);
  was.set(run.entries);
  const make = (text, kind, className = "") => Object.assign(document.createElement(kind), { textContent: text, className });
  return {
    of(key) {
      const told = run.told[key] ?? [], holds = told.length > 0 && was.said(key) === entries.said(key);
      const head = holds ? "As the run predicted it:"
        : "Before this change, as the run predicted it (to be run again):";
      const kind = holds ? "of-run" : "of-run before";
      const lines = told.map(({ title, verdict }) => make(`${title}: ${verdict}`, "p", kind));
      return { holds, lines: told.length ? [make(head, "p", kind), ...lines] : [] };
    },
  };
};
/* What the colours of the picture stand for. */
function showKey(scene, viewer, get) {
  const item = (colour, kind, words) => {
    const line = document.createElement("li"), sign = document.createElement("span");
    sign.className = `swatch ${kind}`;
    sign.style[kind === "line" ? "borderColor" : "background"] = viewer.tone(colour);
    line.append(sign, words);
    return line;
  };
  get("legend").append(...scene.bands.map(({ colour, label }) => item(colour, "", label)));
  get("signs").append(item(scene.colours.plane, "line", "ostium"),
    item(scene.colours.line, "line", "balloon and shaft"),
    item(scene.colours.leak, "dot", "predicted leak, widest"));
  // On a narrow screen the open key would cover the letters of the patient's sides.
  get("key").open = window.matchMedia("(min-width: 56rem)").matches;
  get("key").hidden = false;
}
