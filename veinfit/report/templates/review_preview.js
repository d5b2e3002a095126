"use strict";
/* What a preview of corrections tells: rows of measures, and the seats that are found so far. */
const measureLines = (rows, make) => rows.map(([label, before, now]) => {
  const line = document.createElement("tr"), head = make("th", label), value = make("td", now);
  head.scope = "row";
  if (before !== now) value.className = "other";
  line.append(head, make("td", before), value);
  return line;
});
/* The balloon in view is seated first; what the others were stays in view, marked as old. */
const seatsSoFar = (before, now) => before.length
  ? before.map((fit) => now.find((one) => one.title === fit.title)
    ?? { ...fit, gap: null, values: undefined, stale: true })
  : now;
