"use strict";
/*
 * The corrections file: taken up when the page begins, brought together with what others wrote
 * meanwhile, and replaced only after asking. What is not saved yet outlives a reload of the page.
 */
const createSaving = ({ get, make, send, entries, changed, fault, draftKey, input }) => {
  const read = JSON.stringify(input);
  let version = "", unsaved = false, open = [], saved = [], begun = "";
  const written = () => JSON.stringify(entries.all());

  const store = {
    put() {
      if (!unsaved) { sessionStorage.removeItem(draftKey); return; }
      sessionStorage.setItem(draftKey, JSON.stringify({ entries: entries.all(), base: version, read }));
    },
    get: () => JSON.parse(sessionStorage.getItem(draftKey) ?? "null"),
  };
  function say(text) { get("saved").textContent = text; }
  function take(there) {
    version = there.version;
    saved = there.version ? there.entries : [];
    entries.set(there.entries);
    begun = written();
    get("doubt").hidden = !there.doubt;
    get("doubt").textContent = there.doubt ? `Warning: ${there.doubt}` : "";
  }

  /* ---- clashes between this page and the file ---- */
  function clashes(list) {
    open = list;
    const box = get("clashes");
    box.hidden = !list.length;
    box.replaceChildren();
    if (!list.length) return;
    box.append(make("p", "Both this page and the file correct these veins. Choose for each:"));
    const told = (entry) => entry === null ? "no correction" : entries.words(entry);
    list.forEach(({ vein, mine, theirs }, k) => {
      const group = document.createElement("fieldset");
      group.append(make("legend", vein));
      for (const [whose, entry] of [["this page", mine], ["the file", theirs]]) {
        const line = document.createElement("label"), input = document.createElement("input");
        Object.assign(input, { type: "radio", name: `clash-${k}`, value: whose });
        input.addEventListener("change", () => choose(list[k], entry));
        line.append(input, ` ${whose}: ${told(entry)}`);
        group.append(line);
      }
      box.append(group);
    });
  }
  function choose(clash, entry) {
    clash.chosen = true;
    const key = (one) => one.vein === clash.vein;
    const adds = [clash.mine, clash.theirs].some((one) => one && "add_at_mm" in one);
    const rest = entries.all().filter((one) => !key(one) || ("add_at_mm" in one) !== adds);
    entries.set(entry === null ? rest : [...rest, entry]);
    store.put();
    changed();
  }
  function merged(both) {
    take(both);
    unsaved = true;
    begun = "";
    clashes(both.clashes);
    say(both.clashes.length
      ? "The file has changed since this page read it. Its corrections are added here."
      : "The file has changed since this page read it. Both are merged here; "
        + "look them over and save again.");
    if (both.fault_there) say(`The file can no longer be read: ${both.fault_there}`);
    store.put();
    changed();
  }

  /* ---- saving ---- */
  function ask(answer) {
    const box = get("ask");
    box.hidden = false;
    box.replaceChildren(make("p", answer.fault_there
      ? `The file is there and cannot be read: ${answer.fault_there}`
      : "The file is there already. Saving changes it as follows:"));
    const lines = document.createElement("ul");
    lines.append(...answer.ask.map((line) => make("li", line)));
    box.append(lines, make("p", `Its present content will be kept as ${answer.keep}.`));
    for (const [id, text, act] of [["agree", "Replace the file", () => save(true)],
      ["leave", "Leave it as it is", () => { box.hidden = true; changed(); }]]) {
      const button = make("button", text);
      Object.assign(button, { type: "button", id });
      button.addEventListener("click", act);
      box.append(button);
    }
    get("agree").focus();
  }
  async function save(agreed) {
    get("save").disabled = true;
    get("ask").hidden = true;
    const answer = await send("save", { entries: entries.all(), base: version, agreed });
    fault(answer.fault);
    if (answer.changed) { merged(answer.changed); return; }
    if (answer.ask) { ask(answer); return; }
    if (!answer.fault) {
      take(answer);
      unsaved = false;
      store.put();
      say((answer.version
        ? `Saved as ${answer.file}. Run the case again with it: Run again on the desk, or assess with --corrections.`
        : `Saved: no correction is left, and ${answer.file} is removed.`)
        + (answer.kept ? ` Its earlier content is kept as ${answer.kept}.` : ""));
    }
    changed();
  }
  get("save").addEventListener("click", () => save(false));
  window.addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });

  return {
    /* Whether something stands in the way of saving, in words. */
    hindrance() {
      const twice = entries.clashes();
      if (twice.length) return `Two veins would be called ${twice.join(" and ")}. Rename or drop one.`;
      if (open.some((clash) => !clash.chosen)) return "Choose between this page and the file first.";
      const silent = entries.all().find((entry) => !entry.who || !entry.why);
      if (silent) return `To save: say who corrects ${silent.vein}, and why.`;
      return entries.all().length || version ? "" : "Nothing is corrected.";
    },
    /* Veins whose saved correction was taken back since. */
    gone: () => saved.filter((was) => !entries.all().some((now) => now.vein === was.vein
      && ("add_at_mm" in now) === ("add_at_mm" in was))).map((was) => was.vein),
    /* Another review has another address: what a browser keeps for this one stays with it. */
    left: (words) => (unsaved ? `${words} What is not saved stands on this page alone.` : words),
    touch() {
      // A name alone, or what was undone again, is nothing that could be lost.
      unsaved = written() !== begun;
      say("");
      fault("");
      get("ask").hidden = true;
      store.put();
    },
    /* Take up the file, and what this page had not saved when it was loaded last. */
    async begin() {
      const there = await send("corrections");
      if (there.fault) { fault(there.fault); return there; }
      const draft = there.closed ? null : store.get();
      take(there);
      if (there.fault_there) say(`The file cannot be read: ${there.fault_there}`);
      else if (there.entries.length) say(there.version ? "Read from the file."
        : "Read from the case as it was assessed.");
      if (!draft) return there;
      unsaved = true;
      if (draft.base === there.version) {
        entries.set(draft.entries);
        say("Corrections that were not saved yet are restored.");
      } else merged(await send("merge", draft));
      // The case was run on another input meanwhile.
      if (draft.read !== read) {
        say("Corrections that were not saved yet are restored. They were made on another input: "
          + "look every one over.");
      }
      return there;
    },
  };
};
