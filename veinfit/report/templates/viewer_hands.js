"use strict";
/*
 * Pointers and keys on the 3D view: takeHands(canvas, viewer, asked). `asked` holds the functions
 * that viewer.intercept was given.
 */
function takeHands(canvas, viewer, asked) {
  const pointers = new Map();
  let taken = null;
  const where = (event) => {
    const box = canvas.getBoundingClientRect();
    const [x, y] = [event.clientX - box.left, event.clientY - box.top];
    return { x, y, ray: viewer.ray(x, y), event };
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.focus({ preventScroll: true });
    canvas.setPointerCapture(event.pointerId);
    const here = where(event);
    if (pointers.size === 0) {
      for (const ask of asked) {
        taken = ask(here) ?? null;
        if (taken) break;
      }
    }
    pointers.set(event.pointerId, [here.x, here.y]);
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = pointers.get(event.pointerId);
    if (!before) return;
    const here = where(event);
    if (taken) { taken.move(here); return; }
    const [dx, dy] = [here.x - before[0], here.y - before[1]];
    if (pointers.size > 1) {
      const other = [...pointers].find(([id]) => id !== event.pointerId)[1];
      const length = Math.hypot(before[0] - other[0], before[1] - other[1]);
      viewer.zoom(Math.hypot(here.x - other[0], here.y - other[1]) / Math.max(length, 1));
      viewer.pan(dx / 2, dy / 2);
    } else if (event.shiftKey || event.buttons & 6) viewer.pan(dx, dy);
    else viewer.turn(-dx * 0.4, dy * 0.4);
    pointers.set(event.pointerId, [here.x, here.y]);
  });
  for (const kind of ["pointerup", "pointercancel"]) {
    canvas.addEventListener(kind, (event) => {
      pointers.delete(event.pointerId);
      if (taken && pointers.size === 0) { taken.end?.(where(event)); taken = null; }
    });
  }
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    viewer.zoom(Math.exp(-event.deltaY * 0.001));
  }, { passive: false });
  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const far = event.shiftKey;
    const keys = {
      ArrowLeft: () => (far ? viewer.pan(-20, 0) : viewer.turn(-5, 0)),
      ArrowRight: () => (far ? viewer.pan(20, 0) : viewer.turn(5, 0)),
      ArrowUp: () => (far ? viewer.pan(0, -20) : viewer.turn(0, 5)),
      ArrowDown: () => (far ? viewer.pan(0, 20) : viewer.turn(0, -5)),
      "+": () => viewer.zoom(1.15), "=": () => viewer.zoom(1.15),
      "-": () => viewer.zoom(1 / 1.15), Home: () => viewer.reset(),
    };
    if (!keys[event.key]) return;
    event.preventDefault();
    keys[event.key]();
  });
}
