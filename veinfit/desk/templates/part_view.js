/* Parts of a case in the 3D view: unpacked, picked by a click, set out, let turn. */
const shapes = (() => {
  const rgb = (text) => [1, 3, 5].map((k) => parseInt(text.slice(k, k + 2), 16) / 255);
  function bytes(text) {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out.buffer;
  }
  function unpack(mesh) {
    const packed = new Uint16Array(bytes(mesh.points)), points = new Float32Array(packed.length);
    for (let i = 0; i < packed.length; i++) points[i] = mesh.low[i % 3] + packed[i] * mesh.step;
    return { points, faces: new (mesh.wide ? Uint32Array : Uint16Array)(bytes(mesh.faces)) };
  }
  /* Where a ray meets a mesh first (Moller and Trumbore 1997); Infinity where it does not. */
  function distance({ points: p, faces: f }, { origin: o, direction: d }) {
    let nearest = Infinity;
    for (let i = 0; i < f.length; i += 3) {
      const [a, b, c] = [3 * f[i], 3 * f[i + 1], 3 * f[i + 2]];
      const e1x = p[b] - p[a], e1y = p[b + 1] - p[a + 1], e1z = p[b + 2] - p[a + 2];
      const e2x = p[c] - p[a], e2y = p[c + 1] - p[a + 1], e2z = p[c + 2] - p[a + 2];
      const px = d[1] * e2z - d[2] * e2y, py = d[2] * e2x - d[0] * e2z, pz = d[0] * e2y - d[1] * e2x;
      const det = e1x * px + e1y * py + e1z * pz;
      if (Math.abs(det) < 1e-12) continue;
      const sx = o[0] - p[a], sy = o[1] - p[a + 1], sz = o[2] - p[a + 2];
      const u = (sx * px + sy * py + sz * pz) / det;
      if (u < 0 || u > 1) continue;
      const qx = sy * e1z - sz * e1y, qy = sz * e1x - sx * e1z, qz = sx * e1y - sy * e1x;
      const v = (d[0] * qx + d[1] * qy + d[2] * qz) / det;
      if (v < 0 || u + v > 1) continue;
      const t = (e2x * qx + e2y * qy + e2z * qz) / det;
      if (t > 0 && t < nearest) nearest = t;
    }
    return nearest;
  }
  /* A small picture of parts that a drag or the arrow keys turn about the long axis of the body:
     the middle of each triangle is a dot, nearer ones over farther ones. Returns what turns it. */
  const SMALL_PX = 76, RIM_PX = 4, STEP_DEG = 15, AS_READ = [1, 2, 3];
  /* axes: which axis of the bodies, with its sign, each of x, y and z is in the picture. */
  function small(canvas, bodies, px = SMALL_PX, axes = AS_READ) {
    const dots = bodies.reduce((sum, one) => sum + one.faces.length, 0), dotPx = px > SMALL_PX ? 4 : 2;
    const middles = new Float32Array(dots), normals = new Float32Array(dots), colours = [];
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    const seen = (p, i) => axes.map((axis) => Math.sign(axis) * p[i + Math.abs(axis) - 1]);
    for (const { points, faces, colour } of bodies) for (let i = 0; i < faces.length; i += 3) {
      const [a, b, c] = [0, 1, 2].map((k) => seen(points, 3 * faces[i + k])), at = 3 * colours.length;
      const u = b.map((x, k) => x - a[k]), v = c.map((x, k) => x - a[k]);
      const n = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
      const length = Math.hypot(...n) || 1;
      for (let k = 0; k < 3; k++) {
        const m = (a[k] + b[k] + c[k]) / 3;
        middles[at + k] = m;
        normals[at + k] = n[k] / length;
        low[k] = Math.min(low[k], m);
        high[k] = Math.max(high[k], m);
      }
      colours.push(colour);
    }
    const centre = low.map((c, k) => (c + high[k]) / 2), wide = Math.hypot(high[0] - low[0], high[1] - low[1]);
    const scale = (px - 2 * RIM_PX) / (Math.max(wide, high[2] - low[2]) || 1);
    const at0 = px / 2 - (dotPx - 1) / 2;
    canvas.width = canvas.height = px;
    const paper = canvas.getContext("2d"), picture = paper.createImageData(px, px);
    const depth = new Float32Array(px * px);
    let yaw = 0, last = null;
    function draw() {
      const cos = Math.cos(yaw), sin = Math.sin(yaw);
      depth.fill(Infinity);
      picture.data.fill(0);
      for (let i = 0; i < middles.length; i += 3) {
        const x = middles[i] - centre[0], y = middles[i + 1] - centre[1];
        const across = x * cos + y * sin, far = y * cos - x * sin;
        const light = 0.4 + 0.6 * Math.abs(normals[i + 1] * cos - normals[i] * sin);
        const left = Math.round(at0 + across * scale), top = Math.round(at0 - (middles[i + 2] - centre[2]) * scale);
        for (let r = top; r < top + dotPx; r++) for (let c = left; c < left + dotPx; c++) {
          const at = r * px + c;
          if (r < 0 || c < 0 || r >= px || c >= px || far >= depth[at]) continue;
          depth[at] = far;
          for (let k = 0; k < 3; k++) picture.data[4 * at + k] = 255 * colours[i / 3][k] * light;
          picture.data[4 * at + 3] = 255;
        }
      }
      paper.putImageData(picture, 0, 0);
    }
    function turn(deg) { yaw += deg * Math.PI / 180; draw(); }
    canvas.addEventListener("pointerdown", (event) => { last = event.clientX; canvas.setPointerCapture(event.pointerId); });
    canvas.addEventListener("pointermove", (event) => {
      if (last === null) return;
      turn(2 * (last - event.clientX));
      last = event.clientX;
    });
    for (const kind of ["pointerup", "pointercancel"]) canvas.addEventListener(kind, () => { last = null; });
    canvas.addEventListener("keydown", (event) => {
      const by = { ArrowLeft: STEP_DEG, ArrowRight: -STEP_DEG }[event.key];
      if (by) { event.preventDefault(); turn(by); }
    });
    draw();
    return turn;
  }
  const CLICK_PX = 4, TURN_DEG = 0.6;
  /* host: an element; told: { scene, parts }; clicked(part index, place) is called for clicks. */
  function create(host, told, clicked) {
    const bodies = told.parts.map((part) => ({ ...unpack(part.mesh), colour: rgb(part.colour) }));
    // What lies in front of a part hides its number.
    const hiding = new Float32Array(bodies.reduce((sum, body) => sum + body.points.length, 0));
    bodies.reduce((at, body) => { hiding.set(body.points, at); return at + body.points.length; }, 0);
    const viewer = createViewer(host, { ...told.scene, hiding });
    if (viewer === null) return null;
    viewer.canvas.setAttribute("role", "application");
    viewer.canvas.setAttribute("aria-label", "Parts of the case; arrow keys turn them");
    function show(selected) {
      bodies.forEach((body, k) => {
        const on = selected === null || selected === k;
        viewer.setBody(`part-${k}`, { points: body.points, faces: body.faces, colour: body.colour,
          alpha: on ? 1 : 0.18, rim: on ? 1 : 0.35 });
      });
    }
    function pick(ray) {
      let best = { part: null, at: Infinity };
      bodies.forEach((body, k) => {
        const at = distance(body, ray);
        if (at < best.at) best = { part: k, at };
      });
      return best.part === null ? null
        : { part: best.part, place: ray.origin.map((c, k) => c + best.at * ray.direction[k]) };
    }
    let pressed = null;
    viewer.canvas.addEventListener("pointerdown", (event) => { pressed = [event.clientX, event.clientY]; });
    viewer.canvas.addEventListener("pointerup", (event) => {
      if (!pressed || Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) > CLICK_PX) return;
      const box = viewer.canvas.getBoundingClientRect();
      const found = pick(viewer.ray(event.clientX - box.left, event.clientY - box.top));
      if (found) clicked(found.part, found.place);
    });
    let turning = false, smalls = [];
    function step() {
      if (!turning) return;
      viewer.turn(TURN_DEG, 0);
      for (const one of smalls) one(TURN_DEG);
      requestAnimationFrame(step);
    }
    show(null);
    return {
      viewer, show,
      /* Draws all parts from the front on a canvas, with other axes where these are given. */
      still: (canvas, px, axes) => small(canvas, bodies, px, axes),
      /* Draws parts small, each on a canvas of its own: [part index, canvas]. */
      smalls(list) { smalls = list.map(([k, canvas]) => small(canvas, [bodies[k]])); },
      turn(on) { turning = on; if (on) requestAnimationFrame(step); },
      marks(all) {
        for (const name of Object.keys(create.drawn ?? {})) viewer.setBody(name, null);
        create.drawn = {};
        for (const [name, points] of Object.entries(all)) {
          points.forEach((point, k) => {
            create.drawn[`mark-${name}-${k}`] = true;
            viewer.setBody(`mark-${name}-${k}`, { ...viewer.sphere(point, 1.6, 8), colour: rgb("#0b6e4f") });
          });
          if (points.length > 1) {
            create.drawn[`line-${name}`] = true;
            viewer.setBody(`line-${name}`, { ...viewer.tube(points, 0.8), colour: rgb("#0b6e4f") });
          }
        }
      },
    };
  }
  return { create };
})();
