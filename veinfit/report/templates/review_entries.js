"use strict";
/*
 * What is corrected so far: of each vein that was found one entry, and those that add a vein. A
 * vein goes by a key: the name under which it was found, or + and the name of one that is added.
 */
const createEntries = (names) => {
  const found = new Map(names.map((name) => [name, {}])), added = [];
  const WORDS = ["who", "why"];
  const says = (entry) => Object.keys(entry).some((key) => !WORDS.includes(key));
  const empty = (entry) => { for (const key of Object.keys(entry)) delete entry[key]; };
  const isAdded = (key) => key.startsWith("+");
  const place = (key) => added.findIndex((entry) => `+${entry.vein}` === key);
  return {
    of: (key) => (isAdded(key) ? added[place(key)] : found.get(key)),
    isAdded,
    /* A correction of a vein that is not there: it can be taken out, and nothing else. */
    isAstray: (key) => isAdded(key) && place(key) >= 0 && !("add_at_mm" in added[place(key)]),
    /* What an entry says without who and why, so that two can be held against each other. */
    said(key) {
      const { who, why, ...rest } = this.of(key) ?? {};
      return JSON.stringify(Object.entries(rest).filter(([name]) => name !== "vein").sort());
    },
    corrected: (key) => key !== null && (isAdded(key) ? place(key) >= 0 : says(found.get(key) ?? {})),
    keys: () => [...found.keys(), ...added.map((entry) => `+${entry.vein}`)],
    called: (key) => (isAdded(key) ? key.slice(1) : found.get(key)?.rename ?? key),
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
    clear(key) {
      if (!isAdded(key)) empty(found.get(key)); else if (place(key) >= 0) added.splice(place(key), 1);
    },
    /* Names that no vein has. */
    free(allowed) {
      const taken = this.keys().filter((key) => !found.get(key)?.drop).map(this.called);
      return allowed.filter((name) => !taken.includes(name));
    },
    /* Names that two veins would have. */
    clashes() {
      const given = [...found].filter(([, entry]) => !entry.drop)
        .map(([vein, entry]) => entry.rename ?? vein);
      given.push(...added.map((entry) => entry.vein));
      return [...new Set(given.filter((name, k) => given.indexOf(name) !== k))];
    },
    /* What became of a vein, in a word or two. */
    state(key) {
      const entry = found.get(key);
      if (!entry) return this.isAstray(key) ? "no vein of this case" : "added";
      if (entry.drop) return "dropped";
      const said = entry.rename ? [`now ${entry.rename}`] : [];
      if (["shift_mm", "tilt_deg", "centre_mm"].some((key) => key in entry)) said.push("ostium set");
      return said.join(", ");
    },
    words(entry) {
      const place = (point) => point.map((x) => x.toFixed(1)).join(", "), said = [];
      if (entry.drop) said.push("dropped");
      if ("add_at_mm" in entry) said.push(`added at (${place(entry.add_at_mm)}) mm`);
      if (entry.rename) said.push(`renamed ${entry.rename}`);
      if ("centre_mm" in entry) said.push(`ostium set at (${place(entry.centre_mm)}) mm`);
      if (entry.shift_mm) {
        const where = entry.shift_mm > 0 ? "into the vein" : "toward the atrium";
        said.push(`ostium moved ${Math.abs(entry.shift_mm)} mm ${where}`);
      }
      if (entry.tilt_deg) {
        said.push(`tilted ${entry.tilt_deg}° toward ${entry.tilt_toward_h || 12} o'clock`);
      }
      const what = said.join(", ") || "left as it is";
      return `${entry.vein}: ${what} (${entry.who || "who?"}: ${entry.why || "why?"})`;
    },
  };
};
