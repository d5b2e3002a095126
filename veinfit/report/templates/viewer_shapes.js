"use strict";
/*
 * Vectors, surfaces and directions of the 3D view. Lengths are LPS mm, points flat arrays of 3 V
 * numbers, faces flat arrays of 3 F indices.
 */
const viewerShapes = (() => {
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

  const TUBE_MM = 0.45, RANGE_MM = 600;

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
  /* Points with the moves of some of them, as pack_moves tells them. */
  function movedPoints(points, moves) {
    const out = points.slice(), by = new Int16Array(bytes(moves.by));
    new Uint32Array(bytes(moves.which)).forEach((vertex, k) => {
      for (let c = 0; c < 3; c++) out[3 * vertex + c] += by[3 * k + c] * moves.step;
    });
    return out;
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
  /* The clinical name of a projection (as projection_name). */
  function projection(lao, cranial) {
    let a = Math.round(((lao + 180) % 360 + 360) % 360 - 180);
    if (a === -180) a = 180;
    const b = Math.round(cranial), m = Math.abs(a), side = a > 0 ? "left" : "right";
    if (Math.abs(b) === 90) return b > 0 ? "from the head" : "from the feet";
    const name = m === 0 ? "AP" : m === 180 ? "PA" : m === 90 ? `${side} lateral`
      : m < 90 ? `${side[0].toUpperCase()}AO ${m}°` : `${side[0].toUpperCase()}PO ${180 - m}°`;
    return b ? `${name}, ${b > 0 ? "cranial" : "caudal"} ${Math.abs(b)}°` : name;
  }

  return { RANGE_MM, TUBE_MM, angles, along, basis, bytes, circle, disc, dot, letters, movedPoints, normals,
    projection, revolved, rgb, sphere, tube, unpack, unpackValues };
})();
