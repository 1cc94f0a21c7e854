/* Symbols on a canvas, the same for the map and for its key. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(); } else { (root.Geoqa = root.Geoqa || {}).symbols = make(); }
})(typeof self !== "undefined" ? self : this, function () {
  "use strict";
  var api = {};

  var polygon = function (g, points) {
    points.forEach(function (p, k) { g[k ? "lineTo" : "moveTo"](p[0], p[1]); });
    g.closePath();
  };
  var star = function (r) {
    return Array.from({length: 8}, function (_, k) {
      var t = k * Math.PI / 4 - Math.PI / 2, q = k % 2 ? r * 0.62 : r * 1.55;
      return [q * Math.cos(t), q * Math.sin(t)];
    });
  };
  var paths = {
    circle: function (g, r) { g.arc(0, 0, r, 0, 2 * Math.PI); },
    ring: function (g, r) { g.arc(0, 0, r * 1.08, 0, 2 * Math.PI); g.moveTo(r * 0.42, 0); g.arc(0, 0, r * 0.42, 0, 2 * Math.PI, true); },
    triangle: function (g, r) { polygon(g, [[0, -r * 1.3], [r * 1.25, r * 0.9], [-r * 1.25, r * 0.9]]); },
    diamond: function (g, r) { polygon(g, [[0, -r * 1.35], [r * 1.35, 0], [0, r * 1.35], [-r * 1.35, 0]]); },
    square: function (g, r) { polygon(g, [[-r, -r], [r, -r], [r, r], [-r, r]]); },
    cross: function (g, r) { var a = r * 1.2, b = r * 0.4; polygon(g, [[-b, -a], [b, -a], [b, -b], [a, -b], [a, b], [b, b], [b, a], [-b, a], [-b, b], [-a, b], [-a, -b], [-b, -b]]); },
    star: function (g, r) { polygon(g, star(r)); },
    lozenge: function (g, r) { var a = r * 2.2; polygon(g, [[0, -a], [a, 0], [0, a], [-a, 0]]); },
    frame: function (g, r) { var a = r * 1.6; polygon(g, [[-a, -a], [a, -a], [a, a], [-a, a]]); },
    halo: function (g, r) { g.arc(0, 0, r * 1.75, 0, 2 * Math.PI); },
    area: function (g, r) { g.ellipse(0, 0, r * 1.6, r * 0.85, -0.4, 0, 2 * Math.PI); }
  };

  /* One symbol around the origin: a halo of the paper, its colour, an outline of the ink. */
  api.symbol = function (g, shape, r, colour, ink, paper) {
    if (shape === "line" || shape === "dash") { api.stroke(g, -r * 1.6, r * 1.6, shape, colour); return; }
    /* As pale as the picture it stands for. */
    if (shape === "patch") { g.globalAlpha = 0.75; g.fillStyle = colour; g.fillRect(-r * 1.8, -r, r * 3.6, r * 2); g.globalAlpha = 1; return; }
    g.lineJoin = "round";
    g.beginPath(); paths[shape](g, r);
    g.lineWidth = 4; g.strokeStyle = paper; g.stroke();
    if (shape === "frame" || shape === "lozenge" || shape === "halo") { g.lineWidth = 1.6; g.strokeStyle = colour; g.stroke(); return; }
    if (shape === "area") { g.globalAlpha = 0.14; } g.fillStyle = colour; g.fill(); g.globalAlpha = 1;
    g.lineWidth = 1.1; g.strokeStyle = shape === "area" ? colour : ink; g.stroke();
  };

  api.stroke = function (g, x0, x1, shape, colour) {
    g.lineWidth = 2; g.strokeStyle = colour; g.setLineDash(shape === "dash" ? [5, 3] : []);
    g.beginPath(); g.moveTo(x0, 0); g.lineTo(x1, 0); g.stroke(); g.setLineDash([]);
  };

  /* The second mark: a bar under the symbol. */
  api.mark = function (g, r, ink, paper) {
    g.beginPath(); g.moveTo(-r * 1.25, r + 4.2); g.lineTo(r * 1.25, r + 4.2);
    g.lineCap = "round"; g.lineWidth = 5; g.strokeStyle = paper; g.stroke();
    g.lineWidth = 2.4; g.strokeStyle = ink; g.stroke(); g.lineCap = "butt";
  };

  /* A tick from the symbol up or down: it is off in height, and which way. */
  api.tick = function (g, r, up, colour, paper) {
    g.save(); g.rotate(up ? -Math.PI / 2 : Math.PI / 2); g.translate(r, 0);
    api.arrow(g, 17, 0, false, colour, paper, 2.2);
    g.restore();
  };

  /* An arrow from the origin; one that was cut shows a break in its shaft. */
  api.arrow = function (g, dx, dy, cut, colour, paper, width, dashed) {
    var n = Math.hypot(dx, dy), h = Math.min(7, n * 0.6);
    g.save(); g.rotate(Math.atan2(dy, dx));
    [[paper, width + 2.4], [colour, width]].forEach(function (pass) {
      g.strokeStyle = g.fillStyle = pass[0]; g.lineWidth = pass[1];
      g.beginPath(); g.moveTo(0, 0);
      if (cut) { var b = n * 0.4; g.lineTo(b, 0); g.moveTo(b - 2, 4); g.lineTo(b + 2, -4); g.moveTo(b + 4, 4); g.lineTo(b + 8, -4); g.moveTo(b + 6, 0); }
      g.setLineDash(dashed && pass[0] === colour ? [4, 3] : []); g.lineTo(n - h, 0); g.stroke(); g.setLineDash([]);
      g.beginPath(); g.moveTo(n, 0); g.lineTo(n - h, h * 0.45); g.lineTo(n - h, -h * 0.45); g.closePath(); g.fill();
    });
    g.restore();
  };

  return api;
});
