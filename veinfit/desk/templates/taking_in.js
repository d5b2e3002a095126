/* Files that are chosen or dropped: sent as they are, a name that is taken asked about. */
const takingIn = (() => {
  const { get, make, fault, ask, size } = desk;
  /* Sends one file's bytes; returns what was answered. */
  function send(path, file, tell) {
    return new Promise((resolve) => {
      const request = new XMLHttpRequest();
      request.open("POST", path);
      request.setRequestHeader("Content-Type", "application/octet-stream");
      request.upload.onprogress = (event) => tell(event.loaded / Math.max(event.total, 1));
      request.onload = () => {
        try { resolve(JSON.parse(request.responseText)); }
        catch { resolve({ fault: `${file.name} was refused (${request.status}).` }); }
      };
      request.onerror = () => resolve({ fault: `${file.name} could not be sent: it is too large, or the desk has ended.` });
      request.send(file);
    });
  }
  async function put(root, name, file, tell) {
    const path = `${root}case/${encodeURIComponent(name)}/file/${encodeURIComponent(file.name)}`;
    const say = (share) => tell(`${file.name}: ${Math.round(100 * share)} % of ${size(file.size)}`);
    let told = await send(path, file, say);
    if (told.clash) {
      const choice = await clash(told.clash);
      if (!choice) return true;
      told = await send(`${path}?clash=${choice}`, file, say);
    }
    if (told.fault) { fault(`${file.name}: ${told.fault}`); return false; }
    return true;
  }
  function clash(name) {
    const box = make("dialog", "", [
      make("h2", "There is already a file of this name"),
      make("p", `The case holds another file ${name}, with different content.`)]);
    return new Promise((resolve) => {
      const choices = [["replace", "Put the new one in its place"], ["both", "Keep both"], ["", "Leave the new one out"]];
      const buttons = choices.map(([value, text]) => make("button", text, [],
        { type: "button", value, onclick: () => { box.remove(); resolve(value); } }));
      box.append(make("div", "", buttons, { className: "row" }));
      box.id = "clash";
      box.addEventListener("cancel", () => { box.remove(); resolve(""); });
      document.body.append(box);
      box.showModal();
    });
  }
  function drop(place, input, taken) {
    place.addEventListener("dragover", (event) => { event.preventDefault(); place.classList.add("over"); });
    place.addEventListener("dragleave", () => place.classList.remove("over"));
    place.addEventListener("drop", (event) => {
      event.preventDefault();
      place.classList.remove("over");
      if (event.dataTransfer.files.length) taken([...event.dataTransfer.files]);
    });
    input.addEventListener("change", () => {
      const files = [...input.files];
      input.value = "";
      if (files.length) taken(files);
    });
    // A file dropped beside the place must not take the page away.
    for (const kind of ["dragover", "drop"]) window.addEventListener(kind, (event) => event.preventDefault());
  }
  const EXTRA = /\.(toml|csv|tsv|txt|raw|zraw)$/i;
  const stem = (name) => name.replace(/(\.nii\.gz|\.[^.]*)$/i, "");
  /* Parts files into cases: each source with what is named after it. */
  function groups(files, each) {
    const sources = files.filter((file) => !EXTRA.test(file.name));
    const extra = files.filter((file) => EXTRA.test(file.name));
    if (!each || sources.length < 2) return [{ name: stem((sources[0] ?? files[0]).name), files }];
    return sources.map((file) => ({ name: stem(file.name),
      files: [file, ...extra.filter((one) => one.name.startsWith(`${stem(file.name)}.`))] }));
  }
  const several = (files) => files.filter((file) => !EXTRA.test(file.name)).length > 1;
  async function newCases(files, each, tell) {
    const made = [];
    for (const group of groups(files, each)) {
      const told = await ask("new", { name: group.name });
      if (!told) break;
      made.push(told.name);
      for (const file of group.files) if (!await put("", told.name, file, tell)) return made;
      tell(`${told.name}: being read…`);
      const address = `case/${encodeURIComponent(told.name)}`;
      // What is plain from the files is taken over now; the picture is for the list.
      if (each) { await ask(`${address}/setup`); await ask(`${address}/shapes`); }
    }
    return made;
  }
  return { put, drop, several, newCases, get };
})();
