/* The image behind the labels: the ostial plane and two planes along its normal, in which the
   plane can be dragged. Knows no corrections: it tells what a drag would be, and is told planes. */
function createImagePanel(about, send, onDrag) {
  const get = (id) => document.getElementById(id);
  const half = about.half_mm, n = about.points, DEG = Math.PI / 180;
  const LUMEN = "#1f9e89", OSTIUM = "#f2c200", CALIPER = "#ff7f0e", BALLOON = "#4da3ff";
  const NEAR_PX = 9, INNER_SHARE = 0.55, MOST_TILT = 40, WAIT_MS = 60;
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2],
    a[0] * b[1] - a[1] * b[0]];
  const less = (a, b) => a.map((c, k) => c - b[k]);
  const plus = (a, s, b) => a.map((c, k) => c + s * b[k]);
  const unit = (a) => a.map((c) => c / Math.hypot(...a));

  const canvases = [0, 1, 2].map((k) => get(`image-${k}`));
  const planes = [null, null, null];
  let auto = null, now = null, fit = null, reach = 10, movable = false, turn = 0, waiting = null, hand = false;
  let low = about.window[0], high = about.window[1];

  /* ---- window ---- */
  function windowed(a, b) {
    low = Math.round(Math.min(a, b));
    high = Math.max(low + 1, Math.round(Math.max(a, b)));
    get("window-level").value = (low + high) / 2;
    get("window-width").value = high - low;
    get("window-told").textContent = `${low} to ${high}`.replaceAll("-", "−");
    planes.forEach((plane) => { if (plane) plane.shades = null; });
    draw();
  }
  const levelled = () => {
    const level = Number(get("window-level").value), width = Number(get("window-width").value);
    windowed(level - width / 2, level + width / 2);
  };
  const span = about.window[1] - about.window[0], middle = (about.window[0] + about.window[1]) / 2;
  Object.assign(get("window-level"), { min: middle - 1.5 * span, max: middle + 1.5 * span });
  Object.assign(get("window-width"), { min: span / 40, max: 3 * span });
  for (const id of ["window-level", "window-width"]) get(id).step = span > 50 ? 1 : span / 50;
  for (const id of ["window-level", "window-width"]) get(id).addEventListener("input", levelled);
  get("window-back").addEventListener("click", () => windowed(...about.window));

  /* ---- planes ---- */
  function unpacked(answer, centre) {
    const bytes = Uint8Array.from(atob(answer.values), (c) => c.charCodeAt(0));
    const steps = new DataView(bytes.buffer), values = new Float32Array(n * n);
    for (let k = 0; k < n * n; k++) {
      const step = steps.getUint16(2 * k, true);
      values[k] = step === about.unseen ? NaN : answer.low + answer.step * step;
    }
    const { right, up, curves, twelve, three, sides } = answer;
    return { centre, right, up, curves, twelve, three, sides, values, shades: null };
  }
  async function fetchPlane(kind, of, mine) {
    const answer = await send("image", { entries: [], kind, ...of });
    if (mine !== turn || answer.fault || !answer.values) return;
    planes[kind] = unpacked(answer, of.centre);
    draw(kind);
    document.body.dataset.imaged = String(planes.filter(Boolean).length);
  }
  /* The plane of the vein as it was found, and as it is now. */
  function show(found, vein, canMove) {
    const same = auto !== null && String(auto.centre) === String(found.centre);
    auto = found;
    movable = canMove;
    update(vein);
    if (same) return;
    turn += 1;
    planes.fill(null);
    for (const kind of [0, 1, 2]) fetchPlane(kind, kind ? auto : now, turn);
  }
  function update(vein) {
    reach = vein.reach;
    if (hand) return;  // What comes from before the drag is old.
    now = { centre: vein.centre, normal: vein.normal, axis: auto.axis };
    draw();
    follow();
  }
  /* The ostial plane's picture goes with the plane; the last question counts. */
  function follow() {
    if (waiting !== null) clearTimeout(waiting);
    waiting = setTimeout(() => { waiting = null; fetchPlane(0, now, turn); }, WAIT_MS);
  }
  function balloon(one) { fit = one && one.centre && !one.stale ? one : null; draw(); }

  /* ---- drawing ---- */
  function shades(plane) {
    const sheet = new OffscreenCanvas(n, n), pixels = new ImageData(n, n);
    for (let k = 0; k < n * n; k++) {
      const share = (plane.values[k] - low) / (high - low);
      const grey = Number.isNaN(share) ? 0 : 255 * Math.min(1, Math.max(0, share));
      pixels.data.set([grey, grey, grey, 255], 4 * k);
    }
    sheet.getContext("2d").putImageData(pixels, 0, 0);
    return sheet;
  }
  /* Where the current plane cuts a picture: a point of the line, and its direction. */
  function cut(plane) {
    const a = dot(plane.right, now.normal), b = dot(plane.up, now.normal);
    const away = less(now.centre, plane.centre), x = dot(away, plane.right);
    if (Math.abs(b) < 0.2) return null;
    const y = (dot(away, now.normal) - a * x) / b, long = Math.hypot(a, b);
    return { x, y, dx: b / long, dy: -a / long };
  }
  function surrounds(curve) {
    let inside = false;
    curve.forEach(([x, y], k) => {
      const [u, v] = curve[(k + 1) % curve.length];
      if ((y > 0) !== (v > 0) && 0 < ((u - x) * -y) / (v - y) + x) inside = !inside;
    });
    return inside;
  }
  function calipers(curve) {
    let best = [0, null, null];
    for (const p of curve) for (const q of curve) {
      const d = Math.hypot(p[0] - q[0], p[1] - q[1]);
      if (d > best[0]) best = [d, p, q];
    }
    const [d, p, q] = best;
    if (!d) return [];
    const a = [(q[0] - p[0]) / d, (q[1] - p[1]) / d], c = [-a[1], a[0]];
    const heights = curve.map((r) => r[0] * c[0] + r[1] * c[1]);
    const along = ((p[0] + q[0]) * a[0] + (p[1] + q[1]) * a[1]) / 2;
    const end = (h) => [along * a[0] + h * c[0], along * a[1] + h * c[1]];
    return [[p, q], [end(Math.min(...heights)), end(Math.max(...heights))]];
  }
  function draw(only = null) {
    if (now === null) return;
    for (const kind of only === null ? [0, 1, 2] : [only]) paint(kind);
  }
  /* Toward which side of the patient each edge lies. */
  function tellSides(pen, [right, left, up, down], side, scale) {
    const px = 12 * scale, room = 6 * scale, half = side / 2;
    pen.setTransform(1, 0, 0, 1, 0, 0);
    Object.assign(pen, { font: `${px}px sans-serif`, textBaseline: "middle", lineJoin: "round",
      strokeStyle: "#000", fillStyle: "#ffe9a8", lineWidth: 3 * scale });
    for (const [letters, x, y, align] of [[right, side - room, half, "right"], [left, room, half, "left"],
      [up, half, room + px / 2, "center"], [down, half, side - room - px / 2, "center"]]) {
      pen.textAlign = align;
      pen.strokeText(letters, x, y);
      pen.fillText(letters, x, y);
    }
  }
  function paint(kind) {
    const canvas = canvases[kind], plane = planes[kind], size = canvas.clientWidth;
    const scale = window.devicePixelRatio || 1, side = Math.round(size * scale);
    if (canvas.width !== side) canvas.width = canvas.height = side;
    const pen = canvas.getContext("2d"), k = side / (2 * half);
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.fillStyle = "#000";
    pen.fillRect(0, 0, side, side);
    if (!plane) return;
    plane.shades ??= shades(plane);
    // Values stand at points: the outermost lie on the picture's edge.
    const wide = side * n / (n - 1);
    pen.drawImage(plane.shades, (side - wide) / 2, (side - wide) / 2, wide, wide);
    pen.setTransform(k, 0, 0, -k, side / 2, side / 2);
    const line = (points, colour, width, closed = false) => {
      pen.beginPath();
      points.forEach(([x, y], j) => (j ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      if (closed) pen.closePath();
      Object.assign(pen, { strokeStyle: colour, lineWidth: width * scale / k });
      pen.stroke();
    };
    const rim = kind ? null : plane.curves.find(surrounds);
    for (const curve of plane.curves) if (curve !== rim) line(curve, LUMEN, 1.4);
    if (rim) {
      line(rim, OSTIUM, 2, true);
      for (const ends of calipers(rim)) line(ends, CALIPER, 1.4);
    }
    if (fit) {
      const away = less(fit.centre, plane.centre);
      const off = dot(away, cross(plane.right, plane.up));
      const square = (fit.diameter / 2) ** 2 - off ** 2;
      if (square > 0) {
        pen.beginPath();
        pen.arc(dot(away, plane.right), dot(away, plane.up), Math.sqrt(square), 0, 2 * Math.PI);
        Object.assign(pen, { strokeStyle: BALLOON, lineWidth: 1.6 * scale / k });
        pen.stroke();
      }
    }
    tellSides(pen, plane.sides, side, scale);
    pen.setTransform(k, 0, 0, -k, side / 2, side / 2);
    const at = kind ? cut(plane) : null;
    if (at === null) return;
    const end = (s) => [at.x + s * at.dx, at.y + s * at.dy];
    line([end(-reach), end(reach)], OSTIUM, 2.2);
    if (!movable) return;
    pen.fillStyle = OSTIUM;
    for (const s of [-reach, 0, reach]) {
      pen.beginPath();
      pen.arc(...end(s), 3.4 * scale / k, 0, 2 * Math.PI);
      pen.fill();
    }
  }

  /* ---- hands ---- */
  function spot(canvas, event) {
    const box = canvas.getBoundingClientRect(), mm = 2 * half / box.width;
    return { x: (event.clientX - box.left) * mm - half, y: half - (event.clientY - box.top) * mm, mm };
  }
  function grey(plane, { x, y }) {
    const column = Math.round((x + half) / (2 * half) * (n - 1));
    const row = Math.round((half - y) / (2 * half) * (n - 1));
    const value = plane.values[row * n + column];
    const place = plus(plus(plane.centre, x, plane.right), y, plane.up);
    const words = place.map((c) => c.toFixed(1).replace("-", "−")).join(", ");
    return Number.isFinite(value) ? `${value.toFixed(0)} at (${words}) mm` : "";
  }
  /* Toward which hour of the vein's clock a normal is tilted, and by how much. */
  function tilted(plane, normal) {
    const found = unit(auto.normal), up = dot(normal, found);
    const tilt = Math.min(MOST_TILT, Math.acos(Math.min(1, Math.max(-1, up))) / DEG);
    const flat = plus(normal, -up, found);
    const [e, f] = [plane.twelve, plane.three].map((d) => plus(d, -dot(d, found), found));
    const ee = dot(e, e), ef = dot(e, f), ff = dot(f, f), te = dot(flat, e), tf = dot(flat, f);
    const hour = Math.atan2(tf * ee - te * ef, te * ff - tf * ef) / (30 * DEG);
    return { tilt, toward: ((hour % 12) + 12) % 12 };
  }
  function grip(kind, event) {
    const plane = planes[kind], from = spot(canvases[kind], event);
    const at = kind && plane && movable ? cut(plane) : null;
    if (at === null) return null;
    const along = (from.x - at.x) * at.dx + (from.y - at.y) * at.dy;
    const beside = (from.y - at.y) * at.dx - (from.x - at.x) * at.dy;
    if (Math.abs(beside) > NEAR_PX * from.mm || Math.abs(along) > reach + NEAR_PX * from.mm) return null;
    const start = { ...now }, axis = [dot(auto.axis, plane.right), dot(auto.axis, plane.up)];
    if (Math.abs(along) < INNER_SHARE * reach) {
      const length = axis[0] ** 2 + axis[1] ** 2;
      return { cursor: "ns-resize", move(to) {
        const mm = ((to.x - from.x) * axis[0] + (to.y - from.y) * axis[1]) / length;
        now = { ...now, centre: plus(start.centre, mm, auto.axis) };
        onDrag({ by: mm });
      } };
    }
    const angle = (p) => Math.atan2(p.y - at.y, p.x - at.x), q = cross(plane.right, plane.up);
    return { cursor: "grabbing", move(to) {
      const by = angle(to) - angle(from);
      const turned = plus(plus(start.normal.map((c) => c * Math.cos(by)), Math.sin(by),
        cross(q, start.normal)), (1 - Math.cos(by)) * dot(q, start.normal), q);
      const { tilt, toward } = tilted(plane, unit(turned));
      if (tilt >= MOST_TILT) return;
      now = { ...now, normal: unit(turned) };
      onDrag({ tilt, toward });
    } };
  }
  canvases.forEach((canvas, kind) => {
    let held = null;
    canvas.addEventListener("contextmenu", (event) => event.preventDefault());
    canvas.addEventListener("pointerdown", (event) => {
      const begun = [low, high, event.clientX, event.clientY];
      held = event.button === 2 ? { move(to, moved) {
        const px = (high - low > 50 ? span : 1) / 300, [a, b, x, y] = begun;
        const wider = (moved.clientX - x) * px, brighter = (moved.clientY - y) * px;
        windowed(a + brighter - wider / 2, b + brighter + wider / 2);
      } } : grip(kind, event);
      hand = Boolean(held);
      if (held) { canvas.setPointerCapture(event.pointerId); onDrag({ start: true }); }
    });
    canvas.addEventListener("pointermove", (event) => {
      const to = spot(canvas, event);
      if (planes[kind]) get("image-grey").textContent = grey(planes[kind], to);
      if (held) { held.move(to, event); draw(); follow(); }
      else canvas.style.cursor = grip(kind, event)?.cursor ?? "crosshair";
    });
    for (const end of ["pointerup", "pointercancel"]) {
      canvas.addEventListener(end, () => { held = null; hand = false; });
    }
  });
  new ResizeObserver(() => draw()).observe(canvases[0]);
  windowed(low, high);
  return { show, update, balloon };
}
