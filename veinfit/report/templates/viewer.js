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
  const SET_BACK_MM = 0.5, RESHAPED_MM = 2.5, LEAST_MM = 8, MOST_MM = 400;
  const OUT_OF_REACH_MM = 29.9;
  const { RANGE_MM, TUBE_MM, angles, along, basis, bytes, circle, disc, dot, movedPoints, normals,
    projection, revolved, rgb, sphere, tube, unpack, unpackValues } = viewerShapes;

  function createViewer(host, scene) {
    const canvas = document.createElement("canvas");
    const drawing = createDrawing(canvas);
    if (drawing === null) return null;
    canvas.tabIndex = 0;
    const overlay = document.createElement("div");
    overlay.className = "names";
    overlay.setAttribute("aria-hidden", "true");
    host.append(canvas, overlay);

    const shown = { wall: true, gap: true, balloon: true, planes: true, structures: true,
      cut: true, names: true };
    const camera = { lao: 180, cranial: 0, focal: [...scene.centre], half: scene.radius };
    const chosen = { vein: null, fit: null, cut: 0, step: 0, plan: null };
    const asked = [], told = [];
    const { put, drop } = drawing, write = createNames(overlay, project);
    let pending = false;

    /* ---- drawing ---- */
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
      const [w, h] = [canvas.clientWidth, canvas.clientHeight];
      if (!w || !h || drawing.isLost()) return;
      const view = basis(camera.lao, camera.cranial), px = perPixel(), cut = cutPoint(view);
      drawing.frame({ w, h, px, view, focal: camera.focal, cutPoint: cut, cuts: cutting(),
        edges: scene.edges, bands: scene.bands, ground: ground(), visible });
      write({ view, w, h, px, marks: shown.names ? marks() : [],
        before: cutting() ? project(cut)[2] : -Infinity, wall: shown.wall ? scene.hiding ?? wall().points : null });
    }
    /* What is named: leaks first, then parts of the heart, marks and structures. */
    function marks() {
      const list = scene.names.map((name) => ({ text: name.told ? `${name.text}, ${name.told}`
        : name.text, places: name.places, kind: "name" }));
      if (shown.structures) {
        for (const s of scene.marks) list.push({ text: s.text, places: [s.at], kind: "mark" });
        for (const s of scene.structures) {
          list.push({ text: s.name, places: s.places, kind: "near" });
        }
      }
      const fit = chosen.plan === null ? scene.veins[chosen.vein]?.fits[chosen.fit] : null;
      for (const leak of (chosen.step === 0 && fit?.leaks) || []) {
        list.unshift({ text: leak.text, places: [leak.at], kind: "leak" });
      }
      return list;
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

    function project(p) {
      const view = basis(camera.lao, camera.cranial), px = perPixel();
      const d = [0, 1, 2].map((c) => p[c] - camera.focal[c]);
      return [canvas.clientWidth / 2 + dot(d, view.right) / px,
        canvas.clientHeight / 2 - dot(d, view.up) / px, -dot(d, view.towards)];
    }
    /* ---- what is in the scene ---- */
    function fill() {
      for (const name of drawing.names()) if (!name.startsWith("own:")) drop(name);
      const paintWall = { outer: rgb(scene.colours.wall_outer),
        inner: rgb(scene.colours.wall_inner), cuttable: true };
      // Under a corrected ostium the wall takes another shape, which the patch alone has.
      const behind = reshaped.has(chosen.vein) ? RESHAPED_MM : SET_BACK_MM;
      put("wall", wall(), { ...paintWall, part: "wall", back: behind });
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
    const walls = unpack(scene.wall), given = new Map();
    /* The wall as it was imaged, or as the chosen balloon shapes it: its patch is a part of that. */
    function wall() {
      const moves = scene.veins[chosen.vein]?.wall;
      if (!moves) return walls;
      if (!given.has(chosen.vein)) {
        const points = movedPoints(walls.points, moves);
        given.set(chosen.vein, { points, faces: walls.faces, normals: normals(points, walls.faces) });
      }
      return given.get(chosen.vein);
    }
    const reshaped = new Set(), patches = scene.veins.map((vein) => vein.patch && unpack(vein.patch));
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
        reshaped.add(vein);
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

    canvas.addEventListener("webglcontextlost", (event) => event.preventDefault());
    canvas.addEventListener("webglcontextrestored", () => {
      drawing.restored();
      changed();
    });
    new ResizeObserver(() => { if (!pending) requestAnimationFrame(draw); pending = true; })
      .observe(host);

    takeHands(canvas, viewer, asked);
    fill();
    changed();
    return viewer;
  }
  return createViewer;
})();
