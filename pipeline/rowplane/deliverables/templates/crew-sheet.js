"use strict";
// Sheet, ticks and readings live in this page only; nothing is sent anywhere.
(() => {
  let D = JSON.parse(document.getElementById("crew-data").textContent);
  const $ = (id) => document.getElementById(id);
  const say = (key, values = {}) => (D.words[key] || key).replace(/\{(\w+)\}/g, (_, name) => values[name]);
  const fresh = () => ({ done: {}, readings: [], current: D.stops[0] ? D.stops[0].id : "", theme: "" });
  const key = () => "rowplane crew sheet|" + D.lead + "|" + D.revision;
  let state = fresh(), past = [], numbers = new Map(), left = [];

  // ------------------------------------------------------------ lengths
  function sixteenths(mm) {
    const count = Math.floor((Math.abs(mm) / 25.4) * 16 + 0.5), whole = Math.floor(count / 16);
    let part = count % 16, of = 16;
    while (part && part % 2 === 0) { part /= 2; of /= 2; }
    const sign = mm < 0 && count ? "-" : "";
    return sign + (part ? (whole ? whole + " " : "") + part + "/" + of : String(whole));
  }
  const bare = (mm) => (D.units === "in" ? sixteenths(mm) : (mm + 0).toFixed(1));
  const length = (mm) => bare(mm) + " " + D.units;
  function parsed(text) {
    const clean = text.trim().replace(",", ".").replace("−", "-");
    const inches = clean.match(/^(-?)(?:(\d+)\s+)?(\d+)\/(\d+)$/);
    let value = NaN;
    if (inches && D.units === "in") value = (Number(inches[2] || 0) + Number(inches[3]) / Number(inches[4])) * (inches[1] ? -1 : 1);
    else if (/^-?\d+(\.\d+)?$/.test(clean)) value = Number(clean);
    return D.units === "in" ? value * 25.4 : value;
  }
  function quarters(turns) {
    const q = Math.round(turns * 4);
    if (Math.abs(turns * 4 - q) > 1e-6) return turns.toFixed(2);
    return (Math.floor(q / 4) || (q % 4 ? "" : "0")) + ["", "¼", "½", "¾"][q % 4];
  }

  // ------------------------------------------------------------ small dense algebra
  const zeros = (n, m) => Array.from({ length: n }, () => new Float64Array(m));
  function inverse(A) {
    const n = A.length, M = A.map((row, i) => { const r = new Float64Array(2 * n); r.set(row); r[n + i] = 1; return r; });
    for (let c = 0; c < n; c++) {
      let p = c;
      for (let r = c + 1; r < n; r++) if (Math.abs(M[r][c]) > Math.abs(M[p][c])) p = r;
      [M[c], M[p]] = [M[p], M[c]];
      const d = M[c][c];
      for (let k = 0; k < 2 * n; k++) M[c][k] /= d;
      for (let r = 0; r < n; r++) {
        const f = M[r][c];
        if (r !== c && f) for (let k = 0; k < 2 * n; k++) M[r][k] -= f * M[c][k];
      }
    }
    return M.map((row) => row.slice(n));
  }
  // Logarithm of the determinant of a covariance S, and xᵀ S⁻¹ y of every two of the `columns`, by elimination.
  function forms(S, columns) {
    const n = S.length, m = columns.length, F = zeros(m, m);
    const M = S.map((row, i) => { const r = new Float64Array(n + m); r.set(row); columns.forEach((x, k) => (r[n + k] = x[i])); return r; });
    let log = 0;
    for (let c = 0; c < n; c++) {
      const p = M[c];
      log += Math.log(p[c]);
      for (let k = 0; k < m; k++) for (let l = 0; l < m; l++) F[k][l] += (p[n + k] * p[n + l]) / p[c];
      for (let r = c + 1; r < n; r++) {
        const f = M[r][c] / p[c];
        if (f) for (let k = c; k < n + m; k++) M[r][k] -= f * p[k];
      }
    }
    return { log, F };
  }
  const dot = (a, b) => { let s = 0; for (let k = 0; k < a.length; k++) s += a[k] * b[k]; return s; };
  const times = (A, x) => Float64Array.from(A, (row) => dot(row, x));
  function covariance(array) {
    const bytes = Uint8Array.from(atob(array.covariance), (c) => c.charCodeAt(0));
    const view = new DataView(bytes.buffer), n = array.feet.length, C = zeros(n, n);
    for (let i = 0, at = 0; i < n; i++) for (let j = i; j < n; j++, at += 4) C[i][j] = C[j][i] = view.getFloat32(at, true);
    return C;
  }

  // One reading over the rail tops at the feet: row, what it says of them, its error variance.
  function evidence(array, reading) {
    const n = array.feet.length, i = array.feet.indexOf(reading.id), row = new Float64Array(n);
    if (reading.kind === "height") {
      row[i] = 1;
      const level = (reading.value - array.up_u * array.u[i] - array.up_v * array.v[i]) / array.up_w;
      const vertical = array.reading_sd ** 2 + (array.mark_sd * array.up_v) ** 2;
      return { row, level, variance: vertical / array.up_w ** 2, datum: true, reading };
    }
    let chord = 0;
    for (const [id, share] of array.supports[i]) {
      const stop = stopOf(id);
      row[array.feet.indexOf(id)] += share;
      chord += share * (stop.lift + stop.packer);
    }
    row[i] -= 1;
    const variance = array.reading_sd ** 2 + (array.pull_share * array.sag[i]) ** 2;
    return { row, level: reading.value - chord + array.sag[i], variance, datum: false, reading };
  }

  // Residuals and their weight, the unknown level of all heights taken out (generalised least squares).
  function weighed(array, C, told) {
    const n = told.length, cross = told.map((t) => times(C, t.row));
    const W0 = zeros(n, n);
    for (let i = 0; i < n; i++) for (let j = 0; j < n; j++) W0[i][j] = dot(told[i].row, cross[j]) + (i === j ? told[i].variance : 0);
    const W = inverse(W0), r = residuals(array, told);
    if (told.some((t) => t.datum)) {
      const d = datum(told), lean = times(W, d), whole = dot(d, lean);
      for (let i = 0; i < n; i++) for (let j = 0; j < n; j++) W[i][j] -= (lean[i] * lean[j]) / whole;
    }
    return { cross, W, r };
  }
  const residuals = (array, told) => Float64Array.from(told, (t) => t.level - dot(t.row, array.rail));
  const datum = (told) => Float64Array.from(told, (t) => (t.datum ? 1 : 0));

  // Every reading's miss from what all others say of it, over its standard deviation.
  function misses(W, r) {
    const pull = times(W, r), most = Math.max(...W.map((row, i) => row[i]));
    return W.map((row, i) => (row[i] > 1e-9 * most ? Math.abs(pull[i]) / Math.sqrt(row[i]) : 0));
  }
  // The survey's error taken `times` as large, and a smooth one of `smooth` mm over `length` mm on top; what hooks scatter stays.
  const said = (k) => ({ times: k, smooth: 0, length: 0 });
  function widened(array, C, way) {
    const k = way.times ** 2, wide = C.map((row) => row.map((x) => k * x));
    for (const [i, j, x] of array.scatter) { wide[i][j] += (1 - k) * x; if (i !== j) wide[j][i] += (1 - k) * x; }
    if (way.smooth) alike(array, way.length).forEach((row, i) => row.forEach((x, j) => (wide[i][j] += way.smooth ** 2 * x)));
    return wide;
  }
  // How much rail tops at the feet share of an error that stays alike over a length at the hooks.
  function alike(array, length) {
    const at = array.hooks, half = array.influence.map((own) => Float64Array.from(at, ([u, v]) => own.reduce((s, [h, x]) => s + x * Math.exp(-((at[h][0] - u) ** 2 + (at[h][1] - v) ** 2) / (2 * length ** 2)), 0)));
    return half.map((row) => Float64Array.from(array.influence, (own) => own.reduce((s, [h, x]) => s + x * row[h], 0)));
  }
  // How many times its stated error the survey may be taken to err: none beyond 25 mm at a typical foot.
  function factors(array, C) {
    let trace = C.reduce((s, row, i) => s + row[i], 0);
    for (const [i, j, x] of array.scatter) if (i === j) trace -= x;
    return [1, 1.5, 2, 3, 4, 6, 8, 12].filter((k) => k === 1 || k * Math.sqrt(trace / C.length) <= 25);
  }
  // The factor while slips may be among the readings: by the median miss, which a few slips do not move.
  function roughlyErred(array, C, told) {
    if (told.length < 4) return said(1);
    let limit = 0.6745 + 2 / Math.sqrt(told.length);
    for (const k of factors(array, C)) {
      const { W, r } = weighed(array, widened(array, C, said(k)), told), size = [...misses(W, r)].sort((a, b) => a - b), n = size.length;
      if ((size[(n - 1) >> 1] + size[n >> 1]) / 2 <= limit) return said(k);
      limit = 1.2 * 0.6745;
    }
    return said(1);
  }
  // Logarithm of the readings' restricted likelihood for each way in which the survey may err, but for a constant.
  const SMOOTHLY = [2000, 3000, 4000].flatMap((length) => [2, 3, 4, 6, 8, 12, 16].map((smooth) => ({ times: 1, smooth, length })));
  function likelihoods(array, C, told, ways) {
    const rows = told.map((t) => [...t.row.entries()].filter(([, x]) => x)), n = told.length, scatter = zeros(C.length, C.length);
    for (const [i, j, x] of array.scatter) scatter[i][j] = scatter[j][i] = x;
    const spread = (A) => rows.map((a) => Float64Array.from(rows, (b) => { let s = 0; for (const [i, x] of a) for (const [j, y] of b) s += x * y * A[i][j]; return s; }));
    const whole = spread(C), fixed = spread(scatter), r = residuals(array, told), d = datum(told), levels = told.some((t) => t.datum);
    const smooth = new Map([...new Set(ways.map((way) => way.length))].filter((length) => length).map((length) => [length, spread(alike(array, length))]));
    return ways.map((way) => {
      const k = way.times ** 2, S = zeros(n, n), on = smooth.get(way.length);
      for (let i = 0; i < n; i++) for (let j = 0; j < n; j++) S[i][j] = k * (whole[i][j] - fixed[i][j]) + fixed[i][j] + (on ? way.smooth ** 2 * on[i][j] : 0) + (i === j ? told[i].variance : 0);
      const { log, F } = forms(S, [r, d]);
      return -0.5 * (levels ? log + Math.log(F[1][1]) + F[0][0] - F[0][1] ** 2 / F[1][1] : log + F[0][0]);
    });
  }
  // The likeliest factor, or smooth error, of readings that were all found good: as the survey says unless another tells much more.
  function likelyErred(array, C, told) {
    const ways = told.length < 4 ? [said(1)] : [...factors(array, C).map(said), ...(array.hooks.length ? SMOOTHLY : [])];
    const score = likelihoods(array, C, told, ways), best = score.indexOf(Math.max(...score));
    return score[best] > score[0] + 1 ? { way: ways[best], worth: score[best] - 1 } : { way: ways[0], worth: score[0] };
  }
  function smoothlyErred(array, C, told) {
    const score = likelihoods(array, C, told, SMOOTHLY);
    return SMOOTHLY[score.indexOf(Math.max(...score))];
  }
  // How likely it is that these readings were good and those left out were slips.
  const plausible = (array, C, { told, out }) => likelyErred(array, C, told).worth - 0.5 * Math.log(2 * Math.PI) * told.length - Math.log(50 * 200) * out.length;

  // Readings without those that fit nothing, left out one by one, the worst first; the survey errs as `erred` has it.
  function leftOut(array, C, every, erred) {
    const told = [...every], out = [];
    while (told.length) {
      const { W, r } = weighed(array, widened(array, C, erred(array, C, told)), told), pull = times(W, r), size = misses(W, r), worst = size.indexOf(Math.max(...size));
      if (size[worst] <= 4) break;
      out.push({ reading: told[worst].reading, expected: told[worst].reading.value - pull[worst] / W[worst][worst] });
      told.splice(worst, 1);
    }
    return { told, out };
  }
  // Rail tops and their covariance with the readings taken in; a smooth survey error where that tells more likely than slips.
  function conditioned(array, readings) {
    const own = covariance(array), every = readings.map((r) => evidence(array, r)), rail = Float64Array.from(array.rail);
    let found = leftOut(array, own, every, roughlyErred);
    if (found.out.length && every.length >= 4 && array.hooks.length) {
      const other = leftOut(array, own, every, smoothlyErred);
      if (plausible(array, own, other) > plausible(array, own, found)) found = other;
    }
    const { told, out } = found, C = widened(array, own, likelyErred(array, own, told).way);
    if (told.length) {
      const { cross, W, r } = weighed(array, C, told), gain = times(W, r), n = array.feet.length;
      for (let i = 0; i < n; i++) for (let k = 0; k < told.length; k++) rail[i] += cross[k][i] * gain[k];
      const WX = W.map((row) => { const s = new Float64Array(n); for (let k = 0; k < row.length; k++) for (let j = 0; j < n; j++) s[j] += row[k] * cross[k][j]; return s; });
      for (let k = 0; k < told.length; k++) for (let i = 0; i < n; i++) for (let j = 0; j < n; j++) C[i][j] -= cross[k][i] * WX[k][j];
    }
    return { rail, C, out };
  }

  // Standard deviation of every seat from the feet's own least-squares plane.
  function sigmas(array, C) {
    const n = array.feet.length, mean = (x) => x.reduce((s, y) => s + y, 0) / n;
    const columns = [new Float64Array(n).fill(1)];
    for (const at of [array.u, array.v]) {
      const m = mean(at), q = Float64Array.from(at, (x) => x - m);
      for (let twice = 0; twice < 2; twice++) for (const c of columns.slice(1)) { const f = dot(q, c) / dot(c, c); for (let i = 0; i < n; i++) q[i] -= f * c[i]; }
      if (Math.sqrt(dot(q, q)) > 1e-6 * n) columns.push(q);
    }
    const basis = columns.map((c) => { const l = Math.sqrt(dot(c, c)); return c.map((x) => x / l); });
    const CB = basis.map((b) => times(C, b)), BCB = basis.map((b) => CB.map((c) => dot(b, c)));
    const setting = D.setting_sd ** 2 + (D.pitch / 4) ** 2 / 12;
    return Float64Array.from({ length: n }, (_, i) => {
      let variance = C[i][i], h = 0;
      for (let k = 0; k < basis.length; k++) {
        variance -= 2 * basis[k][i] * CB[k][i];
        h += basis[k][i] ** 2;
        for (let l = 0; l < basis.length; l++) variance += basis[k][i] * BCB[k][l] * basis[l][i];
      }
      return Math.sqrt(Math.max(variance + setting * (1 - h), 0));
    });
  }

  // What the feet that are set ask the plane to move by at every foot: least squares through what they miss, as little as can be.
  function followed(array, rail) {
    const n = array.feet.length, middle = (at) => at.reduce((s, x) => s + x, 0) / n, mu = middle(array.u), mv = middle(array.v);
    const rows = array.feet.map((_, i) => [1, (array.u[i] - mu) / 1000, (array.v[i] - mv) / 1000]), N = zeros(3, 3), y = new Float64Array(3);
    let most = 0;
    array.feet.forEach((id, i) => {
      const set = state.done[id];
      if (!set || array.plane[i] === null) return;
      const miss = rail[i] + set.lift + stopOf(id).packer - array.plane[i];
      most = Math.max(most, Math.abs(miss));
      for (let k = 0; k < 3; k++) { y[k] += rows[i][k] * miss; for (let l = 0; l < 3; l++) N[k][l] += rows[i][k] * rows[i][l]; }
    });
    if (most <= D.pitch / 4) return null;
    for (let k = 0; k < 3; k++) N[k][k] += 1e-6;
    const x = times(inverse(N), y);
    return rows.map((row) => dot(row, x));
  }

  // ------------------------------------------------------------ the numbers as they stand
  const index = { of: null, stops: new Map() };
  function stopOf(id) {
    if (index.of !== D.stops) Object.assign(index, { of: D.stops, stops: new Map(D.stops.map((s) => [s.id, s])) });
    return index.stops.get(id);
  }
  function compute() {
    numbers = new Map(D.stops.map((s) => [s.id, { lift: s.lift, turns: s.turns, sigma: s.sigma, trust: s.trust, reach: s.reach, gap: s.gap, changed: false, rail: null }]));
    left = [];
    for (const [name, array] of Object.entries(D.arrays)) {
      const mine = state.readings.filter((r) => (r.kind === "gap" || r.kind === "height") && stopOf(r.id) && stopOf(r.id).array === name);
      const { rail, C, out } = mine.length ? conditioned(array, mine) : { rail: array.rail, C: null, out: [] };
      const sigma = C && sigmas(array, C), moved = followed(array, rail);
      if (!C && !moved) continue;
      left.push(...out);
      array.feet.forEach((id, i) => {
        const number = numbers.get(id), stop = stopOf(id);
        if (!number || array.plane[i] === null) return;
        number.rail = rail[i];
        if (sigma) {
          number.sigma = sigma[i];
          number.trust = 1.959964 * sigma[i] > D.tolerance ? "measure" : "ok";
        }
        const wanted = array.plane[i] + (moved ? moved[i] : 0) - rail[i] - stop.packer, most = Math.floor(((D.lift_max - D.lift_min) / D.pitch) * 4 + 1e-9);
        const q = Math.min(Math.max(Math.floor(((wanted - D.lift_min) / D.pitch) * 4 + 0.5), 0), most);
        number.reach = Math.abs(D.lift_min + (q / 4) * D.pitch - wanted) > D.pitch / 8 + 1e-6 ? "out-of-reach" : stop.packer ? "packer" : "ok";
        number.turns = q / 4;
        number.lift = D.lift_min + number.turns * D.pitch;
        if (number.gap !== null) number.gap = stop.gap + number.lift - stop.lift;
      });
    }
    for (const stop of D.stops) {
      const number = numbers.get(stop.id), done = state.done[stop.id];
      // A foot that is set stays as it is set.
      if (done) Object.assign(number, { lift: done.lift, turns: (done.lift - D.lift_min) / D.pitch });
      number.changed = Math.abs(number.lift - stop.lift) > 1e-6;
    }
  }

  // ------------------------------------------------------------ keeping
  function load() {
    state = fresh();
    try { const kept = JSON.parse(localStorage.getItem(key())); if (kept && kept.done && kept.readings) state = Object.assign(state, kept); }
    catch { notice(say("not_stored")); }
    if (!stopOf(state.current)) state.current = D.stops[0] ? D.stops[0].id : "";
  }
  function keep() {
    try { localStorage.setItem(key(), JSON.stringify(state)); } catch { notice(say("not_stored")); }
  }
  function act(change) {
    past.push(JSON.stringify(state));
    if (past.length > 100) past.shift();
    change();
    keep();
    compute();
    show();
  }
  const notice = (text) => { $("notice").textContent = text; };

  // ------------------------------------------------------------ showing
  function show() {
    const stop = stopOf(state.current), all = D.stops.length, done = D.stops.filter((s) => state.done[s.id]).length;
    $("progress").textContent = say("progress", { done, all }) + (all && done === all ? " " + say("all_set") : "");
    $("bar").max = Math.max(all, 1);
    $("bar").value = done;
    if (stop) showFoot(stop);
    for (const button of document.querySelectorAll("#feet button")) {
      const id = button.dataset.foot, n = numbers.get(id), s = stopOf(id);
      const sign = state.done[id] ? "✓" : n.reach === "out-of-reach" ? "✖" : n.trust === "measure" ? "▲" : "";
      button.innerHTML = "";
      for (const [kind, text] of [["b", id], ["span", bare(n.lift + s.packer)], ["i", sign + (n.changed ? " *" : "")]]) button.append(Object.assign(document.createElement(kind), { textContent: text }));
      button.setAttribute("aria-current", id === state.current ? "true" : "false");
      button.classList.toggle("is-done", !!state.done[id]);
    }
    for (const mark of document.querySelectorAll("svg .d-foot[data-id]")) {
      mark.classList.toggle("is-done", !!state.done[mark.dataset.id]);
      mark.classList.toggle("is-current", mark.dataset.id === state.current);
      const n = numbers.get(mark.dataset.id);
      if (n) mark.classList.toggle("measure-now", n.trust === "measure");
    }
    for (const row of document.querySelectorAll("tr[data-foot]")) {
      const n = numbers.get(row.dataset.foot), s = stopOf(row.dataset.foot);
      if (n) row.querySelector(".big b").textContent = bare(n.lift + s.packer) + (n.changed ? " *" : "");
    }
    const list = $("reading-list");
    list.innerHTML = "";
    for (const r of state.readings) list.append(Object.assign(document.createElement("li"), { textContent: say("reading_line", { id: r.id, kind: say(r.kind), value: length(r.value) }) + (left.some((o) => o.reading === r) ? " ✖" : "") }));
    if (!state.readings.length) list.append(Object.assign(document.createElement("li"), { textContent: say("no_readings") }));
    $("undo").disabled = !past.length;
    $("phone-note").hidden = !state.readings.length;
  }
  function showFoot(stop) {
    const n = numbers.get(stop.id), adjust = n.lift - (D.lift_min + D.lift_max) / 2;
    $("foot").textContent = stop.id;
    $("height").textContent = bare(n.lift + stop.packer);
    $("height-words").textContent = say("height_words", { unit: D.units }) + (stop.packer ? ", " + say("with_packer", { packer: length(stop.packer) }) : "");
    const first = [say("turns_words", { turns: quarters(n.turns) }) + ", " + (Math.abs(adjust) < 0.05 ? say("mid_at") : say(adjust > 0 ? "mid_up" : "mid_down", { mm: length(Math.abs(adjust)) }))];
    if (n.changed) first.unshift(say("changed", { was: length(stop.lift + stop.packer) }));
    const more = [
      say("rail_words", { rail: stop.rail, line: stop.line }) + (n.gap === null ? "" : ", " + say("gap_words", { gap: length(n.gap) })),
      say(stop.role) + (stop.joiner ? ", " + say("joiner") : ""),
    ];
    if (stop.note) more.push(stop.note);
    for (const [id, lines] of [["details", first], ["more", more]]) $(id).replaceChildren(...lines.map((text) => Object.assign(document.createElement("p"), { textContent: text })));
    const trust = $("trust");
    trust.textContent = n.reach === "out-of-reach" ? say("out") : n.sigma === null ? say("measure_unknown") : say(n.trust, { sure: length(2 * n.sigma) });
    trust.className = n.trust === "measure" || n.reach === "out-of-reach" ? "measure" : "";
    $("done").textContent = say(state.done[stop.id] ? "undone" : "done");
    $("done").setAttribute("aria-pressed", String(!!state.done[stop.id]));
    for (const plan of document.querySelectorAll("figure[data-face]")) plan.hidden = !plan.querySelector(`[data-id="${CSS.escape(stop.id)}"]`);
  }
  // Only the foot chosen before and the one chosen now change their looks, so that a lead of hundreds answers at once.
  function choose(id) {
    const was = state.current;
    state.current = id;
    keep();
    for (const [foot, now] of [[was, false], [id, true]]) {
      const name = CSS.escape(foot), button = document.querySelector(`#feet button[data-foot="${name}"]`);
      if (button) button.setAttribute("aria-current", String(now));
      for (const mark of document.querySelectorAll(`svg .d-foot[data-id="${name}"]`)) mark.classList.toggle("is-current", now);
    }
    showFoot(stopOf(id));
  }
  function go(id, focus) {
    choose(id);
    const mark = document.querySelector(`#plans figure:not([hidden]) .d-foot[data-id="${CSS.escape(id)}"]`);
    const scroll = mark && mark.closest(".pan");
    if (scroll) { const m = mark.getBoundingClientRect(), s = scroll.getBoundingClientRect(); scroll.scrollLeft += m.left + m.width / 2 - s.left - s.width / 2; }
    if (focus) $("foot").focus({ preventScroll: true });
  }
  function step(by, open) {
    const n = D.stops.length, at = D.stops.findIndex((s) => s.id === state.current);
    for (let k = 1; k <= n; k++) {
      const next = D.stops[(((at + by * k) % n) + n) % n];
      if (!open || !state.done[next.id]) return go(next.id);
    }
    show();
  }

  // ------------------------------------------------------------ doing
  function toggle() {
    const id = state.current, was = state.done[id];
    act(() => { if (was) delete state.done[id]; else state.done[id] = { lift: numbers.get(id).lift }; });
    if (!was) step(1, true);
  }
  function read(event) {
    event.preventDefault();
    const id = state.current, kind = $("kind").value, value = parsed($("value").value), array = D.arrays[stopOf(id).array];
    if (!Number.isFinite(value)) return notice(say("bad_value"));
    if (array && kind === "gap") {
      const i = array.feet.indexOf(id), own = array.supports[i];
      if (!own) return notice(say(array.supports.some((s) => s && s.some(([f]) => f === id)) ? "on_support" : "no_string"));
      const off = own.map(([f]) => f).find((f) => state.done[f] && Math.abs(state.done[f].lift - stopOf(f).lift) > 1e-6);
      if (off) return notice(say("support_moved", { id: off }));
    }
    const before = new Map([...numbers].map(([f, n]) => [f, n.lift]));
    act(() => { state.readings = state.readings.filter((r) => r.id !== id || r.kind !== kind); state.readings.push({ id, kind, value }); });
    $("value").value = "";
    const out = left.find((o) => o.reading.id === id && o.reading.kind === kind);
    if (!array) notice(say("no_algebra"));
    else if (out) notice(say("outlier", { id, value: length(value), expected: length(out.expected) }));
    else notice(say("saved", { count: [...numbers].filter(([f, n]) => Math.abs(n.lift - before.get(f)) > 1e-6).length }));
  }
  function undo() {
    if (!past.length) return;
    state = JSON.parse(past.pop());
    keep();
    compute();
    show();
    notice("");
  }
  function readingsFile() {
    const rows = ["id,kind,value_mm,u_mm,v_mm,note,revision"];
    for (const r of state.readings) rows.push([r.id, r.kind, +r.value.toFixed(3), "", "", "", D.revision].join(","));
    for (const s of D.stops) if (state.done[s.id]) rows.push([s.id, "set", +state.done[s.id].lift.toFixed(3), "", "", "", D.revision].join(","));
    return rows.join("\n") + "\n";
  }
  async function send() {
    const file = new File([readingsFile()], "readings-" + D.revision + ".csv", { type: "text/csv" });
    if (navigator.canShare && navigator.canShare({ files: [file] })) {
      try { return await navigator.share({ files: [file] }); } catch (error) { if (error.name === "AbortError") return; }
    }
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(file), download: file.name });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }
  async function take(event) {
    const file = event.target.files[0];
    if (!file) return;
    try {
      const page = new DOMParser().parseFromString(await file.text(), "text/html");
      const next = JSON.parse(page.getElementById("crew-data").textContent);
      if (!Array.isArray(next.stops)) throw new Error("no feet");
      const old = state;
      D = next;
      state = fresh();
      past = [];
      for (const s of D.stops) if (old.done[s.id]) state.done[s.id] = old.done[s.id];
      // Readings that led to the new sheet are in it; counting them again would be counting them twice.
      keep();
      // The plans are figures of this same package, each escaped where it was made.
      const plans = page.getElementById("plans");
      if (plans) $("plans").replaceWith(document.adoptNode(plans));
      build();
      notice(say("imported", { revision: D.revision }));
    } catch { notice(say("not_a_sheet")); }
    event.target.value = "";
  }
  function tapPlan(event) {
    const svg = event.target.closest("svg");
    if (!svg) return;
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    let best = null, near = 900;
    for (const mark of svg.querySelectorAll(".d-foot[data-id]")) {
      const box = mark.getBBox(), far = Math.hypot(box.x + box.width / 2 - at.x, box.y + box.height / 2 - at.y);
      if (far < near) { near = far; best = mark.dataset.id; }
    }
    if (best && stopOf(best)) go(best);
  }
  // The paper of the day: as the phone has it, then light, dark and full sun in turn.
  const THEMES = ["light", "dark", "sun"];
  const themeNow = () => state.theme || (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");
  function theme() {
    state.theme = THEMES[(THEMES.indexOf(themeNow()) + 1) % THEMES.length];
    keep();
    showTheme();
  }
  function showTheme() {
    document.documentElement.dataset.theme = themeNow();
    $("theme").textContent = say("theme", { theme: say("theme_" + themeNow()) });
  }
  // For print everything is open; on the screen the pages lie folded behind their names.
  const parts = () => document.querySelectorAll("details.part");
  function fold() {
    if (!D.stops.length) return;
    for (const part of parts()) part.open = false;
    let open = [];
    window.addEventListener("beforeprint", () => { open = [...parts()].filter((p) => p.open); for (const p of parts()) p.open = true; });
    window.addEventListener("afterprint", () => { for (const p of parts()) p.open = open.includes(p); });
  }

  function build() {
    showTheme();
    $("revision").textContent = D.revision;
    const feet = $("feet");
    feet.innerHTML = "";
    let group = "";
    for (const stop of D.stops) {
      const name = say(stop.run ? "group_run" : "group", { array: D.titles[stop.array] || stop.array, line: stop.line, run: stop.run + 1 });
      if (name !== group) { feet.append(Object.assign(document.createElement("h3"), { textContent: (group = name) })); feet.append(Object.assign(document.createElement("div"), { className: "grid" })); }
      const button = Object.assign(document.createElement("button"), { type: "button" });
      button.dataset.foot = stop.id;
      feet.lastElementChild.append(button);
    }
    $("plans").addEventListener("click", tapPlan);
    compute();
    show();
    if (state.current) go(state.current);
  }
  function start() {
    document.documentElement.classList.add("js");
    $("work").hidden = !D.stops.length;
    load();
    fold();
    $("previous").onclick = () => step(-1);
    $("next").onclick = () => step(1);
    $("next-open").onclick = () => step(1, true);
    $("done").onclick = toggle;
    $("undo").onclick = undo;
    $("export").onclick = send;
    $("import").onchange = take;
    $("theme").onclick = theme;
    $("reading").onsubmit = read;
    $("feet").onclick = (event) => { const b = event.target.closest("button"); if (b) { go(b.dataset.foot, true); $("card").scrollIntoView({ block: "start" }); } };
    document.addEventListener("keydown", (event) => {
      if (/INPUT|SELECT|TEXTAREA/.test(event.target.tagName) || event.ctrlKey || event.metaKey || event.altKey) return;
      if (event.key === "ArrowRight") step(1);
      if (event.key === "ArrowLeft") step(-1);
    });
    build();
  }
  window.crewSheet = { rail: (id) => numbers.get(id).rail, sigma: (id) => numbers.get(id).sigma, lift: (id) => numbers.get(id).lift, file: readingsFile };
  start();
})();
