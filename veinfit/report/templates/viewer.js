"use strict";
/*
 * The 3D view of a case: a canvas that draws a scene in parallel projection, and its names.
 * It knows no buttons; a page around it calls what createViewer returns:
 *
 *   createViewer(host, scene)     null where the browser has no WebGL 2. `host` is an element of
 *                                 the page with a size; `scene` is made by viewer_scene.py.
 *   choose(vein, fit)             indices into scene.veins and its fits; null is the whole atrium.
 *   grow(step)                    shows the chosen balloon at a step of its growth in place.
 *   showPlan(k)                   shows a plan of several seats in place of the chosen balloon.
 *   show(part, on)                parts: wall, gap, balloon, planes, structures, cut, names.
 *   cutAt(mm)                     moves the cutting plane towards the viewer.
 *   look(lao, cranial)            angles of projection in degrees: where the viewer stands.
 *   turn(deg, deg), zoom(factor), pan(px, px), centre(point, radius), reset()
 *   state()                       what is chosen, shown and looked at.
 *   setVein(vein, changes)        replaces contour, centre, normal or axis of a vein.
 *   setFit(vein, fit, changes)    replaces a fit: its balloon, gap, leaks.
 *   setPatch(vein, mesh)          replaces the wall near a vein.
 *   addVein(vein)                 adds a vein to the scene and returns its index.
 *   tellName(text, told)          tells something beside a name.
 *   tone(colour)                  a colour as it is drawn on the page's ground.
 *   setBody(name, body)           adds or replaces a body of one's own, null takes it away:
 *                                 { points, faces, colour, alpha, rim } with Float32Array (3 V),
 *                                 an index array and 0..1 colours. tube, disc and sphere make them.
 *   ray(x, y)                     { origin, direction } of a pixel of the host, LPS mm, from the
 *                                 viewer into the scene.
 *   project(point)                [x, y] in pixels of the host.
 *   intercept(ask)                ask({ ray, x, y, event }) is called when a pointer goes down; it
 *                                 returns null to let the scene turn, or { move(at), end(at) } to
 *                                 take the drag over. For handles of an ostial plane and the like.
 *   onChange(told)                told(state) is called after everything that changes the view.
 *
 * All lengths are LPS mm. Texts are only ever set as text, never as markup.
 */
const createViewer = (() => {
  const VERTEX = `#version 300 es
    in vec3 place; in vec3 normal; in float value;
    uniform vec3 focal, right, up, towards; uniform vec2 scale; uniform float range, back;
    out vec3 at; out vec3 n; out float v;
    void main() {
      vec3 d = place - focal;
      at = place; v = value;
      n = vec3(dot(normal, right), dot(normal, up), dot(normal, towards));
      gl_Position = vec4(dot(d, right) * scale.x, dot(d, up) * scale.y,
                         (back - dot(d, towards)) / range, 1.0);
    }`;
  // The light of the pictures: one from the viewer, one from aside, half of it from everywhere.
  const FRAGMENT = `#version 300 es
    precision highp float;
    in vec3 at; in vec3 n; in float v;
    uniform vec3 towards, cutPoint, outer, inner; uniform bool cut, banded;
    uniform float edges[8]; uniform vec3 colours[9]; uniform int bands; uniform vec2 alpha;
    out vec4 colour;
    void main() {
      if (cut && dot(at - cutPoint, towards) > 0.0) discard;
      vec3 m = normalize(n);
      if (m.z < 0.0) m = -m;
      vec3 base = gl_FrontFacing ? outer : inner;
      if (banded) {
        int k = 0;
        for (int i = 0; i < 8; i++) if (i < bands && v > edges[i]) k = i + 1;
        base = colours[k];
      }
      float lamp = max(dot(m, normalize(vec3(-0.55, 0.55, 0.63))), 0.0);
      float light = 0.5 + 0.5 * (0.45 * m.z + 0.25 * lamp) / 0.7;
      float a = mix(alpha.y, alpha.x, m.z);
      colour = vec4(base * (a < 1.0 ? 1.0 : light), a);
    }`;
  const GRID_PX = 12, BEHIND_MM = 4;
  const TUBE_MM = 0.45, RANGE_MM = 600, SET_BACK_MM = 0.5, LEAST_MM = 8, MOST_MM = 400;
  const OUT_OF_REACH_MM = 29.9;

  const radians = (degrees) => degrees * Math.PI / 180;
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2],
    a[0] * b[1] - a[1] * b[0]];
  const along = (p, d, t) => [p[0] + t * d[0], p[1] + t * d[1], p[2] + t * d[2]];
  const unit = (a) => { const l = Math.hypot(...a) || 1; return a.map((x) => x / l); };
  const rgb = (text) => [1, 3, 5].map((k) => parseInt(text.slice(k, k + 2), 16) / 255);
  const aside = (n) => {
    const e = unit(cross(n, Math.abs(n[2]) < 0.9 ? [0, 0, 1] : [1, 0, 0]));
    return [e, cross(n, e)];
  };

  /* Where the viewer stands at these angles of projection, and how the picture lies. */
  function basis(lao, cranial) {
    const [a, b] = [radians(lao), radians(cranial)];
    return {
      right: [Math.cos(a), Math.sin(a), 0],
      up: [-Math.sin(b) * Math.sin(a), Math.sin(b) * Math.cos(a), Math.cos(b)],
      towards: [Math.cos(b) * Math.sin(a), -Math.cos(b) * Math.cos(a), Math.sin(b)],
    };
  }
  const angles = (towards) => {
    const t = unit(towards), level = Math.hypot(t[0], t[1]);
    return [level < 1e-6 ? 0 : Math.atan2(t[0], -t[1]) * 180 / Math.PI,
      Math.atan2(t[2], level) * 180 / Math.PI];
  };

  /* ---- shapes ---- */
  function bytes(text) {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out.buffer;
  }
  function unpack(mesh) {
    const packed = new Uint16Array(bytes(mesh.points));
    const points = new Float32Array(packed.length);
    for (let i = 0; i < packed.length; i++) points[i] = mesh.low[i % 3] + packed[i] * mesh.step;
    const faces = new (mesh.wide ? Uint32Array : Uint16Array)(bytes(mesh.faces));
    return { points, faces };
  }
  function unpackValues(values) {
    return Float32Array.from(new Uint16Array(bytes(values.data)),
      (k) => values.low + k * values.step);
  }
  function normals(points, faces) {
    const out = new Float32Array(points.length);
    for (let f = 0; f < faces.length; f += 3) {
      const [i, j, k] = [3 * faces[f], 3 * faces[f + 1], 3 * faces[f + 2]];
      const a = [0, 1, 2].map((c) => points[j + c] - points[i + c]);
      const b = [0, 1, 2].map((c) => points[k + c] - points[i + c]);
      const n = cross(a, b);
      for (const v of [i, j, k]) for (let c = 0; c < 3; c++) out[v + c] += n[c];
    }
    return out;
  }
  function strip(rings, sides, closed) {
    const faces = [];
    for (let i = 0; i < (closed ? rings : rings - 1); i++) {
      for (let k = 0; k < sides; k++) {
        const l = (k + 1) % sides, next = ((i + 1) % rings) * sides;
        faces.push(i * sides + k, i * sides + l, next + l, i * sides + k, next + l, next + k);
      }
    }
    return Uint32Array.from(faces);
  }
  function tube(path, radius = TUBE_MM, closed = false, sides = 8) {
    const points = [];
    let across = null;
    path.forEach((p, i) => {
      const n = path.length;
      const before = closed ? path[(i + n - 1) % n] : path[Math.max(i - 1, 0)];
      const after = closed ? path[(i + 1) % n] : path[Math.min(i + 1, n - 1)];
      const t = unit([0, 1, 2].map((c) => after[c] - before[c]));
      across = across === null ? aside(t)[0] : unit(along(across, t, -dot(across, t)));
      const other = cross(t, across);
      for (let k = 0; k < sides; k++) {
        const turn = 2 * Math.PI * k / sides;
        points.push(...along(along(p, across, radius * Math.cos(turn)), other,
          radius * Math.sin(turn)));
      }
    });
    return { points: Float32Array.from(points), faces: strip(path.length, sides, closed) };
  }
  /* A surface of revolution from a profile [[place along the axis, radius], ...]. */
  function revolved(profile, centre, axis, sides = 64) {
    const [e, f] = aside(axis), points = [];
    for (const [z, r] of profile) {
      for (let k = 0; k < sides; k++) {
        const turn = 2 * Math.PI * k / sides;
        points.push(...along(along(along(centre, axis, z), e, r * Math.cos(turn)), f,
          r * Math.sin(turn)));
      }
    }
    return { points: Float32Array.from(points), faces: strip(profile.length, sides, false) };
  }
  const arc = (radius, steps) => Array.from({ length: steps + 1 }, (_, i) => {
    const polar = Math.PI * (1 - i / steps);
    return [radius * Math.cos(polar), i % steps ? radius * Math.sin(polar) : 0];
  });
  const sphere = (centre, radius, steps = 12) =>
    revolved(arc(radius, steps), centre, [0, 0, 1], 2 * steps);
  const disc = (centre, normal, radius) => revolved([[0, radius], [0, 0]], centre, normal, 64);
  function circle(centre, normal, radius, steps = 90) {
    const [e, f] = aside(normal);
    return Array.from({ length: steps }, (_, k) => {
      const turn = 2 * Math.PI * k / steps;
      return along(along(centre, e, radius * Math.cos(turn)), f, radius * Math.sin(turn));
    });
  }

  /* ---- words ---- */
  const AXES = [["L", "R"], ["P", "A"], ["H", "F"]];
  /* The letters of a direction, the greatest share first, two at most (as side_letters). */
  function letters(direction) {
    const d = unit(direction);
    return [0, 1, 2].sort((i, j) => Math.abs(d[j]) - Math.abs(d[i]))
      .filter((k) => Math.abs(d[k]) > 0.38).slice(0, 2)
      .map((k) => AXES[k][d[k] > 0 ? 0 : 1]).join("");
  }
  /* The trade's name of a projection (as projection_name). */
  function projection(lao, cranial) {
    let a = Math.round(((lao + 180) % 360 + 360) % 360 - 180);
    if (a === -180) a = 180;
    const b = Math.round(cranial), m = Math.abs(a), side = a > 0 ? "left" : "right";
    if (Math.abs(b) === 90) return b > 0 ? "from the head" : "from the feet";
    const name = m === 0 ? "AP" : m === 180 ? "PA" : m === 90 ? `${side} lateral`
      : m < 90 ? `${side[0].toUpperCase()}AO ${m}°` : `${side[0].toUpperCase()}PO ${180 - m}°`;
    return b ? `${name}, ${b > 0 ? "cranial" : "caudal"} ${Math.abs(b)}°` : name;
  }

  function createViewer(host, scene) {
    const canvas = document.createElement("canvas");
    const gl = canvas.getContext("webgl2", { antialias: true, preserveDrawingBuffer: true });
    if (gl === null) return null;
    canvas.tabIndex = 0;
    const overlay = document.createElement("div");
    overlay.className = "names";
    overlay.setAttribute("aria-hidden", "true");
    host.append(canvas, overlay);

    const bodies = new Map();
    const shown = { wall: true, gap: true, balloon: true, planes: true, structures: true,
      cut: true, names: true };
    const camera = { lao: 180, cranial: 0, focal: [...scene.centre], half: scene.radius };
    const chosen = { vein: null, fit: null, cut: 0, step: 0, plan: null };
    const asked = [], told = [];
    let program, at, pending = false;

    /* ---- drawing ---- */
    function compile() {
      program = gl.createProgram();
      for (const [kind, source] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, FRAGMENT]]) {
        const shader = gl.createShader(kind);
        gl.shaderSource(shader, source);
        gl.compileShader(shader);
        gl.attachShader(program, shader);
      }
      ["place", "normal", "value"].forEach((name, k) => gl.bindAttribLocation(program, k, name));
      gl.linkProgram(program);
      if (!gl.getProgramParameter(program, gl.LINK_STATUS) && !gl.isContextLost()) {
        throw new Error(gl.getProgramInfoLog(program));
      }
      at = (name) => gl.getUniformLocation(program, name);
    }
    function upload(body) {
      const array = gl.createVertexArray();
      gl.bindVertexArray(array);
      const buffers = [];
      const put = (target, data) => {
        buffers.push(gl.createBuffer());
        gl.bindBuffer(target, buffers.at(-1));
        gl.bufferData(target, data, gl.STATIC_DRAW);
      };
      const given = [[body.points, 3], [body.normals, 3], [body.values, 1]];
      given.forEach(([data, size], k) => {
        if (!data) return;
        put(gl.ARRAY_BUFFER, data);
        gl.enableVertexAttribArray(k);
        gl.vertexAttribPointer(k, size, gl.FLOAT, false, 0, 0);
      });
      put(gl.ELEMENT_ARRAY_BUFFER, body.faces);
      gl.bindVertexArray(null);
      const type = body.faces instanceof Uint16Array ? gl.UNSIGNED_SHORT : gl.UNSIGNED_INT;
      Object.assign(body, { array, buffers, type });
    }
    function drop(name) {
      const body = bodies.get(name);
      if (!body) return;
      body.buffers.forEach((buffer) => gl.deleteBuffer(buffer));
      gl.deleteVertexArray(body.array);
      bodies.delete(name);
    }
    function put(name, shape, style) {
      drop(name);
      const body = { alpha: 1, part: null, back: 0, ...shape, ...style };
      if (!body.normals) body.normals = normals(body.points, body.faces);
      upload(body);
      bodies.set(name, body);
    }
    /* The page's ground; dark lines turn light on a dark one. */
    const dark = window.matchMedia("(prefers-color-scheme: dark)");
    const ground = () => (dark.matches ? rgb("#14191e") : [1, 1, 1]);
    function tint(colour) {
      const plain = rgb(colour), bright = dark.matches && Math.max(...plain) < 0.3;
      const shown = bright ? plain.map((c) => 0.88 + 0.12 * c) : plain;
      return { outer: shown, inner: shown };
    }
    dark.addEventListener("change", () => { fill(); changed(); });

    function draw() {
      pending = false;
      if (gl.isContextLost()) return;
      const [w, h] = [canvas.clientWidth, canvas.clientHeight];
      if (!w || !h) return;
      const ratio = Math.min(window.devicePixelRatio || 1, 2);
      canvas.width = Math.round(w * ratio);
      canvas.height = Math.round(h * ratio);
      gl.viewport(0, 0, canvas.width, canvas.height);
      gl.clearColor(...ground(), 1);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      gl.enable(gl.DEPTH_TEST);
      gl.useProgram(program);
      const view = basis(camera.lao, camera.cranial), px = perPixel();
      for (const name of ["right", "up", "towards"]) gl.uniform3fv(at(name), view[name]);
      gl.uniform3fv(at("focal"), camera.focal);
      gl.uniform2f(at("scale"), 2 / (w * px), 2 / (h * px));
      gl.uniform1f(at("range"), RANGE_MM);
      gl.uniform3fv(at("cutPoint"), cutPoint(view));
      gl.uniform1fv(at("edges"), Array.from({ length: 8 }, (_, k) => scene.edges[k] ?? 0));
      gl.uniform3fv(at("colours"), Array.from({ length: 9 },
        (_, k) => rgb(scene.bands[Math.min(k, scene.bands.length - 1)].colour)).flat());
      gl.uniform1i(at("bands"), scene.edges.length);
      const list = [...bodies.values()].filter(visible);
      gl.disable(gl.BLEND);
      gl.disable(gl.CULL_FACE);
      gl.depthMask(true);
      list.filter((body) => body.alpha === 1).forEach(paint);
      gl.enable(gl.BLEND);
      gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ONE, gl.ONE);
      gl.depthMask(false);
      for (const body of list.filter((b) => b.alpha < 1)) {
        // Of a closed body the near side alone, so that it does not cover twice.
        body.flat ? gl.disable(gl.CULL_FACE) : gl.enable(gl.CULL_FACE);
        paint(body);
      }
      gl.depthMask(true);
      write(view, w, h);
    }
    function paint(body) {
      gl.uniform1f(at("back"), body.back);
      gl.uniform1i(at("cut"), body.cuttable && cutting() ? 1 : 0);
      gl.uniform1i(at("banded"), body.values ? 1 : 0);
      gl.uniform3fv(at("outer"), body.outer);
      gl.uniform3fv(at("inner"), body.inner);
      gl.uniform2f(at("alpha"), body.alpha, body.rim ?? body.alpha);
      gl.bindVertexArray(body.array);
      gl.drawElements(gl.TRIANGLES, body.faces.length, body.type, 0);
    }
    const visible = (body) => body.part === null || shown[body.part];
    const cutting = () => shown.cut && chosen.vein !== null;
    const perPixel = () => 2 * camera.half / Math.min(canvas.clientWidth, canvas.clientHeight);
    function cutPoint(view) {
      const vein = scene.veins[chosen.vein];
      if (!vein) return scene.centre;
      return along(seat(vein)?.centre ?? vein.centre, view.towards, chosen.cut);
    }

    /* The chosen fit, as it is at the chosen step of its growth. */
    function seat(vein) {
      const fit = vein.fits[chosen.fit], step = fit?.growth?.[chosen.step];
      if (!step || chosen.step === 0) return fit;
      const k = step.diameter / fit.diameter;
      const larger = (profile) => profile.map(([place, radius]) => [k * place, k * radius]);
      return { ...fit, centre: step.centre, profile: larger(fit.profile),
        rings: larger(fit.rings), leaks: [] };
    }
    /* Gaps at another diameter and place: the way to the balloon's surface changes as for a ball. */
    function grownGap(fit) {
      const { points } = patches[chosen.vein], step = fit.growth?.[chosen.step];
      if (!step || chosen.step === 0) return fit.values;
      return fit.values.map((gap, i) => {
        const at = [points[3 * i], points[3 * i + 1], points[3 * i + 2]];
        const far = (c) => Math.hypot(at[0] - c[0], at[1] - c[1], at[2] - c[2]);
        return gap >= OUT_OF_REACH_MM ? gap : gap + far(step.centre) - far(fit.centre)
          - 0.5 * (step.diameter - fit.diameter);
      });
    }

    /* ---- names over the picture ---- */
    function project(p) {
      const view = basis(camera.lao, camera.cranial), px = perPixel();
      const d = [0, 1, 2].map((c) => p[c] - camera.focal[c]);
      return [canvas.clientWidth / 2 + dot(d, view.right) / px,
        canvas.clientHeight / 2 - dot(d, view.up) / px, -dot(d, view.towards)];
    }
    function word(text, kind) {
      const span = document.createElement("span");
      span.textContent = text;
      span.className = kind;
      overlay.append(span);
      return span;
    }
    function write(view, w, h) {
      overlay.replaceChildren();
      const sides = [[view.right, w, h / 2, "side east"], [view.right.map((x) => -x), 0, h / 2,
        "side west"], [view.up, w / 2, 0, "side north"], [view.up.map((x) => -x), w / 2, h,
        "side south"]];
      for (const [direction, , , kind] of sides) word(letters(direction), kind);
      scaleBar(w);
      if (!shown.names) return;
      const taken = [];
      const marks = scene.names.map((name) => ({ text: name.told ? `${name.text}, ${name.told}`
        : name.text, places: name.places, kind: "name" }));
      if (shown.structures) {
        for (const s of scene.marks) marks.push({ text: s.text, places: [s.at], kind: "mark" });
        for (const s of scene.structures) {
          marks.push({ text: s.name, places: s.places, kind: "near", apart: true });
        }
      }
      const fit = chosen.plan === null ? scene.veins[chosen.vein]?.fits[chosen.fit] : null;
      for (const leak of (chosen.step === 0 && fit?.leaks) || []) {
        marks.unshift({ text: leak.text, places: [leak.at], kind: "leak" });
      }
      const before = cutting() ? project(cutPoint(view))[2] : -Infinity;
      const front = shown.wall ? nearest(before, w, h) : null;
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
        const y = Math.max(2, Math.min(h - sh - 2, spot[1] - high));
        // A name that would lie over one nearer to the viewer is left out until there is room.
        if (taken.some(([a, b, c, d]) => x < a + c && a < x + sw && y < b + d && b < y + sh)) {
          span.remove();
          continue;
        }
        taken.push([x, y, sw, sh]);
        span.style.transform = `translate(${x}px, ${y}px)`;
      }
    }
    /* How near to the viewer the wall lies, on a coarse grid of the picture. */
    function nearest(before, w, h) {
      const columns = Math.ceil(w / GRID_PX), grid = new Map(), p = walls.points;
      for (let i = 0; i < p.length; i += 3) {
        const [x, y, z] = project([p[i], p[i + 1], p[i + 2]]);
        if (x < 0 || x >= w || y < 0 || y >= h || z < before) continue;
        const k = Math.floor(y / GRID_PX) * columns + Math.floor(x / GRID_PX);
        if (!(grid.get(k) <= z)) grid.set(k, z);
      }
      return ([x, y]) => grid.get(Math.floor(y / GRID_PX) * columns + Math.floor(x / GRID_PX))
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
    function scaleBar(w) {
      const px = perPixel();
      const mm = [50, 20, 10, 5, 2, 1].find((length) => length / px < 0.3 * w) ?? 1;
      const bar = word(`${mm} mm`, "scale");
      bar.style.width = `${mm / px}px`;
    }

    /* ---- what is in the scene ---- */
    function fill() {
      for (const name of [...bodies.keys()]) if (!name.startsWith("own:")) drop(name);
      const paintWall = { outer: rgb(scene.colours.wall_outer), inner: rgb(scene.colours.wall_inner), cuttable: true };
      put("wall", walls, { ...paintWall, part: "wall", back: SET_BACK_MM });
      scene.structures.forEach((s, k) => {
        const shape = s.mesh ? structures[k] : tube(s.line, 1.2);
        put(`structure-${k}`, shape, { ...tint(s.colour), part: "structures", alpha: 0.45,
          rim: 0.8, cuttable: true });
      });
      scene.marks.forEach((mark, k) => put(`mark-${k}`, sphere(mark.at, 1.5),
        { ...tint(mark.colour), part: "structures", cuttable: true }));
      scene.rims.forEach((rim, k) => put(`rim-${k}`, tube(rim.points),
        { ...tint(rim.colour), part: "wall", cuttable: true }));
      scene.veins.forEach((vein, k) => vein.gone || put(`ostium-${k}`, tube(vein.contour, TUBE_MM, true),
        { ...tint(vein.dropped ? scene.colours.dropped : scene.colours.plane), part: "planes",
          cuttable: k !== chosen.vein }));
      scene.dropped.forEach((vein, k) => put(`dropped-${k}`, tube(vein.contour, TUBE_MM, true),
        { ...tint(scene.colours.dropped), part: "planes", cuttable: true }));
      const vein = scene.veins[chosen.vein];
      if (!vein) return;
      put("plane", disc(vein.centre, vein.normal, vein.reach),
        { ...tint(scene.colours.plane), part: "planes", alpha: 0.16, flat: true });
      const patch = patches[chosen.vein], plain = vein.fits[chosen.fit];
      if (chosen.plan !== null) { fillPlan(vein.plans[chosen.plan], patch); return; }
      if (patch && plain?.gap) plain.values ??= unpackValues(plain.gap);
      const fit = seat(vein);
      if (patch && fit?.gap) put("patch", patch, { values: grownGap(plain),
        part: "gap", outer: [1, 1, 1], inner: [1, 1, 1], cuttable: true });
      if (!fit?.centre) return;
      const axis = fit.shaft, back = fit.profile[0][0], nose = fit.profile.at(-1)[0];
      put("balloon", revolved(fit.profile, fit.centre, axis),
        { ...tint(scene.colours.balloon), part: "balloon", alpha: 0.16, rim: 0.62 });
      fit.rings.forEach(([place, radius], k) => put(`ring-${k}`,
        tube(circle(along(fit.centre, axis, place), axis, radius), 0.25, true),
        { ...tint(scene.colours.line), part: "balloon" }));
      put("shaft", tube([along(fit.centre, axis, back - 25), along(fit.centre, axis, nose + 3)],
        0.5), { ...tint(scene.colours.line), part: "balloon" });
      fit.leaks.forEach((leak, k) => put(`leak-${k}`, sphere(leak.at, 0.9),
        { ...tint(scene.colours.leak), part: "gap" }));
    }
    /* The wall that each seat of a plan covers, in its colour, and the line that they form. */
    function fillPlan(plan, patch) {
      plan.seats.forEach((one, k) => put(`band-${k}`, { points: patch.points,
        normals: patch.normals, faces: new Uint32Array(bytes(one.faces)) },
      { ...tint(one.colour), part: "gap", alpha: k ? 0.55 : 1, rim: k ? 0.55 : 1, flat: true,
        back: -SET_BACK_MM * k, cuttable: true }));
      plan.line.forEach((path, k) => put(`line-${k}`, tube(path, TUBE_MM),
        { ...tint(scene.colours.ink), part: "gap", cuttable: true }));
    }
    let walls = unpack(scene.wall);
    const patches = scene.veins.map((vein) => vein.patch && unpack(vein.patch));
    const structures = scene.structures.map((s) => s.mesh && unpack(s.mesh));
    for (const shape of [walls, ...patches, ...structures]) {
      if (shape) shape.normals = normals(shape.points, shape.faces);
    }

    /* ---- what a page may ask ---- */
    function changed() {
      if (!pending) requestAnimationFrame(draw);
      pending = true;
      told.forEach((tell) => tell(state()));
    }
    function state() {
      const view = basis(camera.lao, camera.cranial);
      return { vein: chosen.vein, fit: chosen.fit, cut: chosen.cut, step: chosen.step,
        plan: chosen.plan, shown: { ...shown },
        lao: camera.lao, cranial: camera.cranial, focal: [...camera.focal], half: camera.half,
        perPixel: perPixel(), ...view, name: projection(camera.lao, camera.cranial) };
    }
    const viewer = {
      /* Adds a vein to the scene, and returns its index. */
      addVein(vein) {
        scene.veins.push(vein);
        const shape = vein.patch && unpack(vein.patch);
        if (shape) shape.normals = normals(shape.points, shape.faces);
        patches.push(shape);
        changed();
        return scene.veins.length - 1;
      },
      /* Tells something about a name; a name that is not there yet is added at its vein. */
      tellName(text, told) {
        let name = scene.names.find((one) => one.text === text);
        const vein = scene.veins.find((one) => one.name === text && !one.gone);
        if (!name && vein) scene.names.push(name = { text, places: [vein.centre] });
        if (name) name.told = told;
        changed();
      },
      /* A colour as it is drawn on the page's ground. */
      tone: (colour) => `rgb(${tint(colour).outer.map((c) => Math.round(255 * c)).join(" ")})`,
      canvas, state, project, tube, disc, sphere, circle,
      choose(vein, fit) {
        const other = chosen.vein !== vein;
        Object.assign(chosen, { vein, fit: vein === null ? null : fit, step: 0, plan: null });
        fill();
        if (other) viewer.reset();
        changed();
      },
      grow(step) { Object.assign(chosen, { step, plan: null }); fill(); changed(); },
      showPlan(plan) { Object.assign(chosen, { step: 0, plan }); fill(); changed(); },
      show(part, on) { shown[part] = on; changed(); },
      cutAt(mm) { chosen.cut = mm; changed(); },
      look(lao, cranial) {
        camera.lao = ((lao + 180) % 360 + 360) % 360 - 180;
        camera.cranial = Math.max(-90, Math.min(90, cranial));
        changed();
      },
      lookFrom(towards) { viewer.look(...angles(towards)); },
      turn(lao, cranial) { viewer.look(camera.lao + lao, camera.cranial + cranial); },
      zoom(factor) {
        camera.half = Math.max(LEAST_MM, Math.min(MOST_MM, camera.half / factor));
        changed();
      },
      pan(x, y) {
        const view = basis(camera.lao, camera.cranial), px = perPixel();
        camera.focal = along(along(camera.focal, view.right, -x * px), view.up, y * px);
        changed();
      },
      centre(point, half) { camera.focal = [...point]; camera.half = half; changed(); },
      reset() {
        const vein = scene.veins[chosen.vein];
        if (!vein) { viewer.look(180, 0); viewer.centre(scene.centre, scene.radius); return; }
        viewer.lookFrom(vein.side);
        viewer.centre(vein.fits[chosen.fit]?.centre ?? vein.centre, vein.view);
      },
      setVein(vein, changes) { Object.assign(scene.veins[vein], changes); fill(); changed(); },
      setFit(vein, fit, changes) {
        const old = scene.veins[vein].fits[fit];
        scene.veins[vein].fits[fit] = { ...old, values: undefined, ...changes };
        fill();
        changed();
      },
      setPatch(vein, mesh) {
        const shape = unpack(mesh);
        patches[vein] = { ...shape, normals: normals(shape.points, shape.faces) };
        fill();
        changed();
      },
      setBody(name, body) {
        if (body === null) drop(`own:${name}`);
        else put(`own:${name}`, { points: body.points, faces: body.faces },
          { outer: body.colour, inner: body.colour, alpha: body.alpha ?? 1, rim: body.rim,
            flat: true });
        changed();
      },
      ray(x, y) {
        const view = basis(camera.lao, camera.cranial), px = perPixel();
        const flat = along(along(camera.focal, view.right, (x - canvas.clientWidth / 2) * px),
          view.up, (canvas.clientHeight / 2 - y) * px);
        return { origin: along(flat, view.towards, RANGE_MM),
          direction: view.towards.map((c) => -c) };
      },
      intercept(ask) { asked.push(ask); },
      onChange(tell) { told.push(tell); },
    };

    /* ---- hands ---- */
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
    canvas.addEventListener("webglcontextlost", (event) => event.preventDefault());
    canvas.addEventListener("webglcontextrestored", () => {
      compile();
      bodies.forEach(upload);
      changed();
    });
    new ResizeObserver(() => { if (!pending) requestAnimationFrame(draw); pending = true; })
      .observe(host);

    compile();
    fill();
    changed();
    return viewer;
  }
  return createViewer;
})();
