"use strict";
/*
 * Draws bodies with WebGL 2 in parallel projection: createDrawing(canvas) returns null where the
 * browser has none, else
 *   put(name, shape, style)   adds or replaces a body, drop(name) takes it away.
 *   names()                   those that are there.
 *   frame(what)               draws: the size w, h and the millimetres of a pixel, the view (see
 *                             viewerShapes.basis), the focal point, the plane of the cut and
 *                             whether it cuts, the bands of the gap, the ground, and which
 *                             bodies are visible.
 *   restored()                takes everything up again after the context was lost.
 */
const createDrawing = (() => {
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
  const { RANGE_MM, normals, rgb } = viewerShapes;

  function createDrawing(canvas) {
    const gl = canvas.getContext("webgl2", { antialias: true, preserveDrawingBuffer: true });
    if (gl === null) return null;
    const bodies = new Map();
    let program, at;

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
    function frame({ w, h, px, view, focal, cutPoint, cuts, edges, bands, ground, visible }) {
      if (gl.isContextLost()) return;
      const ratio = Math.min(window.devicePixelRatio || 1, 2);
      canvas.width = Math.round(w * ratio);
      canvas.height = Math.round(h * ratio);
      gl.viewport(0, 0, canvas.width, canvas.height);
      gl.clearColor(...ground, 1);
      gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
      gl.enable(gl.DEPTH_TEST);
      gl.useProgram(program);
      for (const name of ["right", "up", "towards"]) gl.uniform3fv(at(name), view[name]);
      gl.uniform3fv(at("focal"), focal);
      gl.uniform2f(at("scale"), 2 / (w * px), 2 / (h * px));
      gl.uniform1f(at("range"), RANGE_MM);
      gl.uniform3fv(at("cutPoint"), cutPoint);
      gl.uniform1fv(at("edges"), Array.from({ length: 8 }, (_, k) => edges[k] ?? 0));
      gl.uniform3fv(at("colours"), Array.from({ length: 9 },
        (_, k) => rgb(bands[Math.min(k, bands.length - 1)].colour)).flat());
      gl.uniform1i(at("bands"), edges.length);
      const list = [...bodies.values()].filter(visible);
      gl.disable(gl.BLEND);
      gl.disable(gl.CULL_FACE);
      gl.depthMask(true);
      list.filter((body) => body.alpha === 1).forEach((body) => paint(body, cuts));
      gl.enable(gl.BLEND);
      gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ONE, gl.ONE);
      gl.depthMask(false);
      for (const body of list.filter((b) => b.alpha < 1)) {
        // Of a closed body the near side alone, so that it does not cover twice.
        body.flat ? gl.disable(gl.CULL_FACE) : gl.enable(gl.CULL_FACE);
        paint(body, cuts);
      }
      gl.depthMask(true);
    }
    function paint(body, cuts) {
      gl.uniform1f(at("back"), body.back);
      gl.uniform1i(at("cut"), body.cuttable && cuts ? 1 : 0);
      gl.uniform1i(at("banded"), body.values ? 1 : 0);
      gl.uniform3fv(at("outer"), body.outer);
      gl.uniform3fv(at("inner"), body.inner);
      gl.uniform2f(at("alpha"), body.alpha, body.rim ?? body.alpha);
      gl.bindVertexArray(body.array);
      gl.drawElements(gl.TRIANGLES, body.faces.length, body.type, 0);
    }
    compile();
    return {
      put, drop, frame, names: () => [...bodies.keys()],
      isLost: () => gl.isContextLost(),
      restored() { compile(); bodies.forEach(upload); },
    };
  }
  return createDrawing;
})();
