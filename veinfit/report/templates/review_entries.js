"use strict";
/* What is corrected so far: of each vein that was found one entry, and those that add a vein. */
const createEntries = (names) => {
  const found = new Map(names.map((name) => [name, {}])), added = [];
  const WORDS = ["who", "why"];
  const says = (entry) => Object.keys(entry).some((key) => !WORDS.includes(key));
  const empty = (entry) => { for (const key of Object.keys(entry)) delete entry[key]; };
  return {
    /* The entry of a vein that was found; of an added one its own. */
    of: (name) => found.get(name) ?? added.find((entry) => entry.vein === name),
    isAdded: (name) => !found.has(name) && added.some((entry) => entry.vein === name),
    added: () => added.map((entry) => entry.vein),
    all: () => [...[...found].filter(([, entry]) => says(entry))
      .map(([vein, entry]) => ({ vein, ...entry })), ...added],
    set(list) {
      found.forEach(empty);
      added.length = 0;
      for (const entry of list) {
        const { vein, ...rest } = entry;
        if ("add_at_mm" in entry || !found.has(vein)) added.push({ ...entry });
        else Object.assign(found.get(vein), rest);
      }
    },
    add(entry) { added.push(entry); },
    clear(name) {
      const k = found.has(name) ? -1 : added.findIndex((entry) => entry.vein === name);
      if (k >= 0) added.splice(k, 1); else if (found.has(name)) empty(found.get(name));
    },
    /* Names that two veins would have. */
    clashes() {
      const given = [...found].filter(([, entry]) => !entry.drop)
        .map(([vein, entry]) => entry.rename ?? vein);
      given.push(...added.map((entry) => entry.vein));
      return [...new Set(given.filter((name, k) => given.indexOf(name) !== k))];
    },
    /* What became of a vein, in a word or two. */
    state(name) {
      const entry = found.get(name);
      if (!entry) return "added";
      if (entry.drop) return "dropped";
      const said = entry.rename ? [`now ${entry.rename}`] : [];
      if (["shift_mm", "tilt_deg", "centre_mm"].some((key) => key in entry)) said.push("ostium set");
      return said.join(", ");
    },
    words(entry) {
      const { vein, who, why, ...rest } = entry;
      const said = Object.entries(rest).map(([key, value]) => key === "drop" ? "dropped"
        : `${key} ${Array.isArray(value) ? value.map((x) => x.toFixed(1)).join(" ") : value}`);
      return `${vein}: ${said.join(", ")} (${who || "who?"}: ${why || "why?"})`;
    },
  };
};
