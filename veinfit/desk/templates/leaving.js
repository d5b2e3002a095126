/* The dialog of what leaves. */
const leaving = (() => {
  const { get, make, ask } = desk;
  let cases = [], root = "";
  /* old: of each case whose results are from before a change, its name and what is newer. */
  function open(names, where, old = []) {
    cases = names;
    root = where;
    get("leave-old").hidden = !old.length;
    get("leave-old").textContent = old.length
      ? `From before a change: ${old.map(([name, why]) => (names.length > 1 ? `${name} (${why})` : why)).join("; ")}.` : "";
    get("leave-what").textContent = names.length === 1 ? names[0] : `${names.length} cases`;
    get("leave-told").textContent = "";
    get("leave-go").disabled = false;
    get("leave").showModal();
  }
  const wait = (ms) => new Promise((done) => { setTimeout(done, ms); });
  async function go() {
    const kinds = [...get("leave").querySelectorAll("input[name=kind]:checked")].map((i) => i.value);
    const tell = (text) => { get("leave-told").textContent = text; };
    if (!kinds.length) { tell("Choose what to export."); return; }
    get("leave-go").disabled = true;
    const told = await ask(`${root}export`, { cases, kinds, identity: get("identity").checked });
    if (!told) { get("leave").close(); return; }
    for (;;) {
      const state = await ask(`${root}export/${told.export}`);
      if (!state) { get("leave").close(); return; }
      if (state.state === "failed") { tell(state.fault); break; }
      if (state.state === "done") {
        get("leave-told").replaceChildren(`It is in exports/${told.export} of this folder. `,
          make("a", "Save it as one ZIP file", [], { href: `${root}export/${told.export}/zip`,
            id: "leave-zip", className: "button" }));
        break;
      }
      tell(`Exporting: ${state.done} of ${state.of}…`);
      await wait(700);
    }
    get("leave-go").disabled = false;
  }
  get("leave-go").addEventListener("click", go);
  get("leave-stop").addEventListener("click", () => get("leave").close());
  return { open };
})();
