/* The dialog of studies: several cases compared, summed up, held against what was observed. */
const studying = (() => {
  const { get, make, ask } = desk;
  const wait = (ms) => new Promise((done) => { setTimeout(done, ms); });
  /* Makes a study and returns a link to its page; what hinders is told. */
  async function run(root, body, tell) {
    tell("Working…");
    const told = await ask(`${root}study`, body);
    if (!told) { tell(""); return null; }
    for (;;) {
      const state = await ask(`${root}study/${told.study}`);
      if (!state) return null;
      if (state.state === "failed") { tell(state.fault); return null; }
      if (state.state === "done") {
        const table = body.kind === "table", more = table ? { download: state.page } : { target: "_blank", rel: "noopener" };
        tell("");
        return [`It is in studies/${told.study} of this folder. `, make("a", table ? "Save the table" : "Open the page", [],
          { href: `${root}study/${told.study}/${state.page}`, className: "button", id: "study-link", ...more })];
      }
      await wait(500);
    }
  }
  let cases = [];
  const kind = () => document.querySelector("input[name=study-kind]:checked")?.value;
  function open(names) {
    cases = names;
    const two = document.querySelector("input[name=study-kind][value=changes]");
    two.disabled = names.length !== 2;
    if (two.disabled && two.checked) document.querySelector("input[name=study-kind][value=summary]").checked = true;
    get("study-what").textContent = names.length === 1 ? names[0] : `${names.length} cases`;
    get("study-told").textContent = "";
    get("study").showModal();
  }
  async function go(of) {
    const tell = (text) => { get("study-told").textContent = text; };
    const file = get("study-file").files[0];
    if (of === "agree" && !file) { tell("Choose the table of what was observed."); return; }
    get("study-go").disabled = get("study-table").disabled = true;
    const link = await run("", { kind: of, cases, observed: of === "agree" ? await file.text() : "" }, tell);
    if (link) get("study-told").replaceChildren(...link);
    else if (!get("fault").hidden) get("study").close();
    get("study-go").disabled = get("study-table").disabled = false;
  }
  if (get("study")) {
    for (const one of document.querySelectorAll("input[name=study-kind]")) {
      one.addEventListener("change", () => { get("study-observed").hidden = kind() !== "agree"; });
    }
    get("study-go").addEventListener("click", () => go(kind()));
    get("study-table").addEventListener("click", () => go("table"));
    get("study-stop").addEventListener("click", () => get("study").close());
  }
  return { open, run };
})();
