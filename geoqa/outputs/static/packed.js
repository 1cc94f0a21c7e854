/* Blocks of columns back into arrays; the other side of geoqa/outputs/packing.py. No browser is needed but for its decompression. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(); } else { (root.Geoqa = root.Geoqa || {}).packed = make(); }
})(typeof self !== "undefined" ? self : this, function () {
  "use strict";
  var api = {};
  var BYTES = {i1: 1, i2: 2, i4: 4, f8: 8};

  api.bytes = function (text) {
    if (Uint8Array.fromBase64) { return Uint8Array.fromBase64(text); }
    var signs = atob(text), out = new Uint8Array(signs.length);
    for (var i = 0; i < out.length; i++) { out[i] = signs.charCodeAt(i); }
    return out;
  };

  api.inflate = function (bytes) {
    var stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).arrayBuffer().then(function (buffer) { return new Uint8Array(buffer); });
  };

  /* The whole steps of a column, or its doubles; the least whole number stands for a missing one. */
  var whole = function (block, d) {
    var n = d.n, b = block.subarray(d.at, d.at + n * BYTES[d.type]), out, i;
    if (d.type === "i1") { return new Int8Array(b.buffer, b.byteOffset, n); }
    if (d.type === "i2") { out = new Int16Array(n); for (i = 0; i < n; i++) { out[i] = b[i] | b[n + i] << 8; } return out; }
    if (d.type === "i4") {
      out = new Int32Array(n);
      for (i = 0; i < n; i++) { out[i] = b[i] | b[n + i] << 8 | b[2 * n + i] << 16 | b[3 * n + i] << 24; }
      return out;
    }
    var raw = new Uint8Array(8 * n), view = new DataView(raw.buffer);
    for (i = 0; i < n; i++) { for (var k = 0; k < 8; k++) { raw[8 * i + k] = b[k * n + i]; } }
    out = new Float64Array(n);
    for (i = 0; i < n; i++) { out[i] = view.getFloat64(8 * i, true); }
    return out;
  };

  /* Columns that others are guessed from, worked out once for a block. */
  var known = new WeakMap();
  var once = function (block, d, fit) {
    var key = JSON.stringify(d);
    if (!known.has(block)) { known.set(block, new Map()); }
    if (!known.get(block).has(key)) { known.get(block).set(key, steps(block, d, fit)); }
    return known.get(block).get(key);
  };

  /* Whole steps of a column, NaN where missing; `fit` is the polynomial of the job's grid. */
  var steps = function (block, d, fit) {
    var w = whole(block, d), out = new Float64Array(d.n), missing = -Math.pow(2, 8 * BYTES[d.type] - 1), sum = 0, i;
    for (i = 0; i < d.n; i++) {
      sum += w[i];
      out[i] = d.rises ? d.base + sum : w[i] === missing ? NaN : d.base + w[i];
    }
    (d.guess && d.guess.terms || []).forEach(function (t) {
      var of = once(block, t.of, fit), at = t.at ? once(block, t.at, fit) : null;
      for (i = 0; i < d.n; i++) { out[i] += t.sign * (of[at ? at[i] : i] || 0); }
    });
    if (d.guess && d.guess.grid) {
      var x = api.numbers(block, d.guess.x), y = api.numbers(block, d.guess.y), axis = d.guess.grid === "easting" ? 0 : 1, row = 0;
      /* `each`: how many rows have the place; `known`: its coordinate, where it is given. */
      var known = d.guess.known ? once(block, d.guess.known, fit) : null, each = d.guess.each ? api.numbers(block, d.guess.each) : null;
      for (i = 0; i < x.length; i++) {
        var g = known && !isNaN(known[i]) ? known[i] : Math.floor(api.grid(fit, x[i], y[i])[axis] / d.guess.per / d.step + 0.5) || 0;
        for (var k = each ? each[i] : 1; k > 0; k--) { out[row++] += g; }
      }
    }
    if (!d.by) { return out; }
    /* Kept in the order of other columns, what is missing there last. */
    var keys = d.by.map(function (q) { return once(block, q, fit).map(function (v) { return isNaN(v) ? Infinity : v; }); }), placed = new Float64Array(d.n);
    Uint32Array.from(out.keys()).sort(function (a, b) {
      for (var q = 0; q < keys.length; q++) { if (keys[q][a] !== keys[q][b]) { return keys[q][a] - keys[q][b]; } }
      return a - b;
    }).forEach(function (to, from) { placed[to] = out[from]; });
    return placed;
  };

  /* Numbers in their unit, NaN where missing. */
  api.numbers = function (block, d, fit) {
    if (d.type === "f8") { return whole(block, d); }
    /* A step of a power of ten is divided by: 0.001 is no double, 1000 is one. */
    var by = Math.round(1 / d.step), exact = d.step < 1 && Math.abs(by * d.step - 1) < 1e-12;
    return steps(block, d, fit).map(function (s) { return exact ? s / by : s * d.step; });
  };

  /* The job's easting and northing in metres of a place in EPSG:3857; the same operations as geoqa/outputs/grid_fit.py. */
  api.grid = function (fit, x, y) {
    var u = (x - fit.centre[0]) / fit.half[0], v = (y - fit.centre[1]) / fit.half[1], across = [1], up = [1], east = 0, north = 0;
    fit.powers.forEach(function (p, k) {
      while (across.length <= p[0]) { across.push(across[across.length - 1] * u); }
      while (up.length <= p[1]) { up.push(up[up.length - 1] * v); }
      var term = across[p[0]] * up[p[1]];
      east = east + fit.easting[k] * term; north = north + fit.northing[k] * term;
    });
    return [east, north];
  };
  api.inGrid = function (fit, x, y) { return Math.abs(x - fit.centre[0]) <= fit.half[0] && Math.abs(y - fit.centre[1]) <= fit.half[1]; };

  api.texts = function (block, d) {
    var words = d.words ? new TextDecoder().decode(block.subarray(d.at, d.at + d.bytes)).split("\n") : [];
    var index = api.numbers(block, d.index);
    return {n: d.index.n, words: words, index: index, at: function (i) { return words[index[i]]; }};
  };

  /* Where the rows of each entry begin, and of one more. */
  api.starts = function (each) {
    var out = new Uint32Array(each.length + 1);
    for (var i = 0; i < each.length; i++) { out[i + 1] = out[i] + each[i]; }
    return out;
  };

  return api;
});
