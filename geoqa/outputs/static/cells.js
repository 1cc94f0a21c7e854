/* Very many points as squares of the ground: how many stand in each, and how many of them have the worst status there. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(); } else { (root.Geoqa = root.Geoqa || {}).cells = make(); }
})(typeof self !== "undefined" ? self : this, function () {
  "use strict";
  var api = {}, NEAR = 0.1;

  /* x, y at zoom 0; view {k, ox, oy, w, h}: pixel = x k - ox. Cells are fixed to the ground: their size in pixels divides it at each zoom. */
  api.gather = function (x, y, style, ranks, shown, view, size) {
    var left = Math.floor(view.ox / size), top = Math.floor(view.oy / size);
    var across = Math.floor((view.ox + view.w) / size) - left + 1, down = Math.floor((view.oy + view.h) / size) - top + 1;
    var count = new Uint32Array(across * down), worst = new Int16Array(across * down).fill(-1), many = new Uint32Array(across * down);
    var sx = new Float64Array(across * down), sy = new Float64Array(across * down);
    for (var i = 0; i < x.length; i++) {
      if (!shown[i]) { continue; }
      var px = x[i] * view.k - view.ox, py = y[i] * view.k - view.oy;
      if (!(px >= 0 && px <= view.w && py >= 0 && py <= view.h)) { continue; }
      var c = (Math.floor((py + view.oy) / size) - top) * across + Math.floor((px + view.ox) / size) - left, s = style[i];
      count[c]++; sx[c] += px; sy[c] += py;
      if (worst[c] < 0 || ranks[s] > ranks[worst[c]]) { worst[c] = s; many[c] = 1; } else if (s === worst[c]) { many[c]++; }
    }
    var out = [];
    /* Near the middle of its cell, towards where its points are: the labels of two cells never meet. */
    var drawn = function (mean, cell, origin) { var middle = (cell + 0.5) * size - origin; return Math.max(middle - NEAR * size, Math.min(middle + NEAR * size, mean)); };
    for (var q = 0; q < count.length; q++) {
      if (!count[q]) { continue; }
      out.push({x: drawn(sx[q] / count[q], left + q % across, view.ox), y: drawn(sy[q] / count[q], top + Math.floor(q / across), view.oy), style: worst[q], many: many[q], count: count[q]});
    }
    /* What is worst is drawn last. */
    return out.sort(function (a, b) { return ranks[a.style] - ranks[b.style] || a.many - b.many; });
  };

  api.short = function (n) { return n < 1000 ? String(n) : n < 9950 ? (n / 1000).toFixed(1) + "k" : Math.round(n / 1000) + "k"; };
  api.label = function (cell) { return cell.many < cell.count ? api.short(cell.many) + "/" + api.short(cell.count) : api.short(cell.count); };
  api.radius = function (cell, most) { return 5 + 8 * Math.sqrt(cell.many / most); };

  return api;
});
