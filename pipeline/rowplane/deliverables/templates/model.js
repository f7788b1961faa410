"use strict";
(() => {
  const D = JSON.parse(document.getElementById("model-data").textContent);
  const $ = (id) => document.getElementById(id);
  const canvas = $("view"), gl = canvas.getContext("webgl2", { antialias: true, preserveDrawingBuffer: true });
  if (!D.solids.length) return;
  if (!gl) { $("picked").textContent = D.words.no_webgl; return; }
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const floats = (text) => new Float32Array(bytes(text).buffer);

  const vertex = `#version 300 es
    uniform mat4 view; uniform vec3 normal; uniform float times;
    uniform float size; in vec3 point; in vec3 colour; in float lift;
    out vec3 shade; out vec3 place;
    void main() { place = point + normal * lift * times; shade = colour; gl_Position = view * vec4(place, 1.0); gl_PointSize = size; }`;
  const fragment = `#version 300 es
    precision highp float;
    in vec3 shade; in vec3 place; uniform bool flat_; uniform bool round_; out vec4 ink;
    void main() {
      float out_ = round_ ? length(gl_PointCoord - 0.5) : 0.0;
      if (out_ > 0.5) discard;
      if (round_) { ink = vec4(out_ > 0.36 ? vec3(1.0) : shade, 1.0); return; }
      vec3 n = normalize(cross(dFdx(place), dFdy(place)));
      float light = flat_ ? 1.0 : 0.62 + 0.38 * abs(dot(n, normalize(vec3(0.4, -0.5, 0.75))));
      ink = vec4(shade * light, 1.0);
    }`;
  function shader(kind, text) {
    const s = gl.createShader(kind);
    gl.shaderSource(s, text);
    gl.compileShader(s);
    if (!gl.getShaderParameter(s, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(s));
    return s;
  }
  const words = (key, values) => D.words[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
  const program = gl.createProgram();
  gl.attachShader(program, shader(gl.VERTEX_SHADER, vertex));
  gl.attachShader(program, shader(gl.FRAGMENT_SHADER, fragment));
  gl.linkProgram(program);
  gl.useProgram(program);
  const at = Object.fromEntries(["view", "normal", "times", "flat_", "round_", "size"].map((n) => [n, gl.getUniformLocation(program, n)]));
  const slot = Object.fromEntries(["point", "colour", "lift"].map((n) => [n, gl.getAttribLocation(program, n)]));
  function buffer(target, data) { const b = gl.createBuffer(); gl.bindBuffer(target, b); gl.bufferData(target, data, gl.STATIC_DRAW); }

  const parts = D.solids.map((s) => {
    const vao = gl.createVertexArray(), points = floats(s.points), triangles = new Uint32Array(bytes(s.triangles).buffer);
    gl.bindVertexArray(vao);
    for (const [name, data, size, kind, norm] of [["point", points, 3, gl.FLOAT, false], ["colour", bytes(s.colours), 3, gl.UNSIGNED_BYTE, true], ["lift", floats(s.lift), 1, gl.FLOAT, false]]) {
      buffer(gl.ARRAY_BUFFER, data);
      gl.enableVertexAttribArray(slot[name]);
      gl.vertexAttribPointer(slot[name], size, kind, norm, 0, 0);
    }
    buffer(gl.ELEMENT_ARRAY_BUFFER, triangles);
    return { vao, count: triangles.length, kind: s.kind, normal: s.normal, points };
  });
  const lines = D.lines.map((l) => {
    const vao = gl.createVertexArray(), points = floats(l.points);
    gl.bindVertexArray(vao);
    for (const [name, data, size] of [["point", points, 3], ["lift", floats(l.lift), 1]]) {
      buffer(gl.ARRAY_BUFFER, data);
      gl.enableVertexAttribArray(slot[name]);
      gl.vertexAttribPointer(slot[name], size, gl.FLOAT, false, 0, 0);
    }
    return { vao, count: points.length / 3, normal: l.normal };
  });
  const feet = gl.createVertexArray();
  gl.bindVertexArray(feet);
  buffer(gl.ARRAY_BUFFER, new Float32Array(D.feet.flatMap((f) => f.at)));
  gl.enableVertexAttribArray(slot.point);
  gl.vertexAttribPointer(slot.point, 3, gl.FLOAT, false, 0, 0);

  let reach = 1;
  for (const p of parts) for (let k = 0; k < p.points.length; k += 3) reach = Math.max(reach, Math.hypot(p.points[k], p.points[k + 1], p.points[k + 2]));
  let turn = D.turn, tilt = 0.8, far = 2, picked = -1, shift = [0, 0.12 * reach], matrix = null;

  // View: survey X east, Y north, Z up, turned about Z, tilted, seen in perspective.
  function look() {
    const w = canvas.width, h = canvas.height, c = Math.cos(turn), s = Math.sin(turn), ct = Math.cos(tilt), st = Math.sin(tilt), d = far * reach;
    const f = 1.9, near = d / 50, end = d + 3 * reach, a = w / h, fx = a < 1 ? f : f / a, fy = a < 1 ? f * a : f;
    const rows = [[c, s, 0, shift[0]], [-s * st, c * st, ct, shift[1]], [s * ct, -c * ct, st, -d]];
    const zz = -(end + near) / (end - near), zw = (-2 * end * near) / (end - near);
    const m = [rows[0].map((x) => x * fx), rows[1].map((x) => x * fy), rows[2].map((x, k) => x * zz + (k === 3 ? zw : 0)), rows[2].map((x) => -x)];
    return Float32Array.from({ length: 16 }, (_, k) => m[k % 4][Math.floor(k / 4)]);
  }
  function draw() {
    const ratio = window.devicePixelRatio || 1, w = Math.round(canvas.clientWidth * ratio), h = Math.round(canvas.clientHeight * ratio);
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    gl.viewport(0, 0, w, h);
    gl.clearColor(0.93, 0.945, 0.957, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    matrix = look();
    gl.uniformMatrix4fv(at.view, false, matrix);
    for (const p of parts) {
      if (p.kind === "module" && !$("modules").checked) continue;
      gl.uniform3fv(at.normal, p.normal);
      gl.uniform1f(at.times, Number($("times").value));
      gl.uniform1i(at.flat_, 0);
      gl.bindVertexArray(p.vao);
      gl.drawElements(gl.TRIANGLES, p.count, gl.UNSIGNED_INT, 0);
    }
    gl.uniform1i(at.flat_, 1);
    gl.vertexAttrib3f(slot.colour, 0.35, 0.3, 0.25);
    for (const l of lines) {
      if (!$("courses").checked) break;
      gl.uniform3fv(at.normal, l.normal);
      gl.bindVertexArray(l.vao);
      gl.drawArrays(gl.LINES, 0, l.count);
    }
    drawFeet(ratio);
  }
  // Feet lie under the modules' edges: drawn over everything, as dots that a thumb can hit.
  function drawFeet(ratio) {
    gl.disable(gl.DEPTH_TEST);
    gl.uniform1i(at.round_, 1);
    gl.uniform3fv(at.normal, [0, 0, 0]);
    gl.bindVertexArray(feet);
    gl.vertexAttrib1f(slot.lift, 0);
    D.feet.forEach((foot, k) => {
      const now = k === picked, measure = foot.trust === "measure";
      gl.uniform1f(at.size, (now ? 24 : measure ? 15 : 11) * ratio);
      gl.vertexAttrib3f(slot.colour, ...(now ? [0, 0, 0] : measure ? [0.69, 0, 0.23] : [0.04, 0.42, 0.23]));
      gl.drawArrays(gl.POINTS, k, 1);
    });
    gl.uniform1i(at.round_, 0);
  }
  function onScreen(p) {
    const q = [0, 1, 3].map((r) => matrix[r] * p[0] + matrix[4 + r] * p[1] + matrix[8 + r] * p[2] + matrix[12 + r]);
    return [((q[0] / q[2] + 1) / 2) * canvas.clientWidth, ((1 - q[1] / q[2]) / 2) * canvas.clientHeight];
  }
  function pick(x, y) {
    let near = 32;
    picked = -1;
    D.feet.forEach((foot, k) => {
      const [a, b] = onScreen(foot.at), off = Math.hypot(a - x, b - y);
      if (off < near) { near = off; picked = k; }
    });
    const best = D.feet[picked];
    $("picked").textContent = best ? words(best.trust === "measure" ? "foot_measure" : "foot", { foot: best.id, height: best.height, turns: best.turns }) : "";
    draw();
  }

  const down = new Map();
  let moved = 0, pinch = 0;
  canvas.onpointerdown = (e) => { canvas.setPointerCapture(e.pointerId); down.set(e.pointerId, [e.offsetX, e.offsetY]); moved = 0; pinch = 0; };
  canvas.onpointermove = (e) => {
    const was = down.get(e.pointerId);
    if (!was) return;
    const dx = e.offsetX - was[0], dy = e.offsetY - was[1];
    down.set(e.pointerId, [e.offsetX, e.offsetY]);
    moved += Math.abs(dx) + Math.abs(dy);
    if (down.size === 1 && !e.shiftKey) { turn -= dx * 0.008; tilt = Math.min(1.55, Math.max(0.02, tilt + dy * 0.006)); }
    else if (down.size === 1) { shift[0] += (dx / canvas.clientWidth) * far * reach; shift[1] -= (dy / canvas.clientWidth) * far * reach; }
    else {
      const [a, b] = [...down.values()], span = Math.hypot(a[0] - b[0], a[1] - b[1]);
      if (pinch) far = Math.min(8, Math.max(0.4, (far * pinch) / span));
      pinch = span;
    }
    draw();
  };
  canvas.onpointerup = (e) => { down.delete(e.pointerId); if (moved < 6) pick(e.offsetX, e.offsetY); };
  canvas.onpointercancel = (e) => down.delete(e.pointerId);
  canvas.onwheel = (e) => { e.preventDefault(); zoom(Math.exp(e.deltaY * 0.001)); };
  const zoom = (by) => { far = Math.min(8, Math.max(0.4, far * by)); draw(); };
  $("in").onclick = () => zoom(0.8);
  $("out").onclick = () => zoom(1.25);
  $("left").onclick = () => { turn -= 0.25; draw(); };
  $("right").onclick = () => { turn += 0.25; draw(); };
  for (const id of ["times", "modules", "courses"]) $(id).onchange = draw;
  canvas.onkeydown = (e) => {
    const keys = { ArrowLeft: () => (turn -= 0.1), ArrowRight: () => (turn += 0.1), ArrowUp: () => (tilt = Math.min(1.55, tilt + 0.05)), ArrowDown: () => (tilt = Math.max(0.02, tilt - 0.05)), "+": () => (far *= 0.9), "-": () => (far *= 1.1) };
    if (keys[e.key]) { e.preventDefault(); keys[e.key](); draw(); }
  };
  window.onresize = draw;
  window.roofModel = { screen: (id) => onScreen(D.feet.find((f) => f.id === id).at), feet: D.feet.map((f) => f.id) };
  draw();
})();
