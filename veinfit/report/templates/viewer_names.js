"use strict";
/*
 * Names over the picture: createNames(overlay, project) returns write({ view, w, h, px, marks,
 * before, wall }), which writes the sides of the picture, the scale, and marks
 * { text, places, kind }, those nearer to the viewer first. What lies behind the depth `before` is
 * left out; `wall` holds the points that may hide a name, or is null.
 */
const createNames = (() => {
  const GRID_PX = 12, WALL_STEP_MM = 3, BEHIND_MM = 4;
  const { letters } = viewerShapes;

  function createNames(overlay, project) {
    function word(text, kind) {
      const span = document.createElement("span");
      span.textContent = text;
      span.className = kind;
      overlay.append(span);
      return span;
    }
    function write({ view, w, h, px, marks, before, wall }) {
      overlay.replaceChildren();
      const sides = [[view.right, w, h / 2, "side east"], [view.right.map((x) => -x), 0, h / 2,
        "side west"], [view.up, w / 2, 0, "side north"], [view.up.map((x) => -x), w / 2, h,
        "side south"]];
      for (const [direction, , , kind] of sides) word(letters(direction), kind);
      scaleBar(w, px);
      const taken = [], corner = cornerWords();
      const front = wall ? nearest(wall, before, w, h, Math.max(GRID_PX, WALL_STEP_MM / px)) : null;
      const placed = marks.map((mark) => ({ ...mark, ...spotOf(mark, before, front, w, h) }))
        .filter(({ spot }) => spot)
        .sort((a, b) => (a.kind === "leak" ? -1 : b.kind === "leak" ? 1
          : a.behind - b.behind || a.spot[2] - b.spot[2]));
      for (const { text, kind, spot, behind } of placed) {
        const span = word(text, behind ? `${kind} behind` : kind);
        const [sw, sh] = [span.offsetWidth, span.offsetHeight];
        const x = Math.max(2, Math.min(w - sw - 2, spot[0] - sw / 2));
        // Leaks and single places are named above their dot.
        const high = kind === "leak" || kind === "mark" ? sh + 8 : sh / 2;
        let y = Math.max(2, Math.min(h - sh - 2, spot[1] - high));
        if (x < corner[0] && y < corner[1]) y = corner[1];
        // A name that would lie over one nearer to the viewer is left out until there is room.
        if (taken.some(([a, b, c, d]) => x < a + c && a < x + sw && y < b + d && b < y + sh)) {
          span.remove();
          continue;
        }
        taken.push([x, y, sw, sh]);
        span.style.transform = `translate(${x}px, ${y}px)`;
      }
    }
    /* How far right and down the name of the projection reaches in its corner. */
    function cornerWords() {
      const words = overlay.parentElement?.querySelector(".projection");
      return words ? [words.offsetLeft + words.offsetWidth, words.offsetTop + words.offsetHeight]
        : [0, 0];
    }
    /* How near to the viewer the wall lies, on a grid as coarse as its points, however near. */
    function nearest(p, before, w, h, cell) {
      const columns = Math.ceil(w / cell), grid = new Map();
      for (let i = 0; i < p.length; i += 3) {
        const [x, y, z] = project([p[i], p[i + 1], p[i + 2]]);
        if (x < 0 || x >= w || y < 0 || y >= h || z < before) continue;
        const k = Math.floor(y / cell) * columns + Math.floor(x / cell);
        if (!(grid.get(k) <= z)) grid.set(k, z);
      }
      return ([x, y]) => grid.get(Math.floor(y / cell) * columns + Math.floor(x / cell))
        ?? Infinity;
    }
    /* Of the places of a structure one that is seen, in their middle; a hidden one if none is. */
    function spotOf({ places, kind }, before, front, w, h) {
      const spots = places.map(project).filter(([x, y, z]) => x > 0 && x < w && y > 0 && y < h
        && (kind === "leak" || z > before));
      if (!spots.length) return { spot: null };
      const seen = spots.filter((spot) => kind === "leak" || !front
        || spot[2] < front(spot) + BEHIND_MM);
      const from = seen.length ? seen : spots;
      const middle = [0, 1].map((c) => from.reduce((sum, s) => sum + s[c], 0) / from.length);
      const off = (s) => Math.hypot(s[0] - middle[0], s[1] - middle[1]);
      return { spot: from.reduce((a, b) => (off(b) < off(a) ? b : a)), behind: !seen.length };
    }
    function scaleBar(w, px) {
      const mm = [50, 20, 10, 5, 2, 1].find((length) => length / px < 0.3 * w) ?? 1;
      const bar = word(`${mm} mm`, "scale");
      bar.style.width = `${mm / px}px`;
    }

    return write;
  }
  return createNames;
})();
