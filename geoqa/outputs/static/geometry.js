/* Sizes and places, without a browser: what is drawn where, what is hit, which label finds room. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(); } else { (root.Geoqa = root.Geoqa || {}).geometry = make(); }
})(typeof self !== "undefined" ? self : this, function () {
  "use strict";
  var RADIUS_M = 6378137, WORLD_PX = 256;
  var api = {};

  /* Metres of EPSG:3857 as pixels at zoom 0, and those as degrees; the map library draws in the same projection. */
  api.worldX = function (x) { return WORLD_PX * (x / (2 * Math.PI * RADIUS_M) + 0.5); };
  api.worldY = function (y) { return WORLD_PX * (0.5 - y / (2 * Math.PI * RADIUS_M)); };
  api.lon = function (x) { return 360 * (x / WORLD_PX - 0.5); };
  api.lat = function (y) { return Math.atan(Math.sinh(2 * Math.PI * (0.5 - y / WORLD_PX))) * 180 / Math.PI; };
  api.mercator = function (lon, lat) { return [RADIUS_M * lon * Math.PI / 180, RADIUS_M * Math.asinh(Math.tan(lat * Math.PI / 180))]; };

  api.pixelsPerMetre = function (lat, zoom) {
    return WORLD_PX * Math.pow(2, zoom) / (2 * Math.PI * RADIUS_M * Math.cos(lat * Math.PI / 180));
  };

  /* The rings of each entry, as pixels at zoom 0. */
  api.paths = function (d) {
    var ring = 0, at = 0;
    return Array.from(d.rings, function (count) {
      return Array.from({length: count}, function () {
        return Array.from({length: d.vertices[ring++]}, function () { var p = [d.x[at], d.y[at]]; at++; return p; });
      });
    });
  };

  /* [west, north, east, south] of all places, in pixels at zoom 0, or null. */
  api.bounds = function (xs, ys) {
    var box = null;
    for (var i = 0; i < xs.length; i++) {
      var x = xs[i], y = ys[i];
      if (isNaN(x) || isNaN(y)) { continue; }
      if (!box) { box = [x, y, x, y]; }
      if (x < box[0]) { box[0] = x; } if (x > box[2]) { box[2] = x; }
      if (y < box[1]) { box[1] = y; } if (y > box[3]) { box[3] = y; }
    }
    return box;
  };

  /* The steps of the exaggeration: 1, 2, 5, 10, ... 100 000. */
  api.STEPS = [];
  for (var e = 0; e < 5; e++) { [1, 2, 5].forEach(function (d) { api.STEPS.push(d * Math.pow(10, e)); }); }
  api.STEPS.push(100000);

  /* Index of the step nearest to `value` on a logarithmic scale. */
  api.step = function (value) {
    var best = 0;
    api.STEPS.forEach(function (s, k) { if (Math.abs(Math.log(s / value)) < Math.abs(Math.log(api.STEPS[best] / value))) { best = k; } });
    return best;
  };

  api.median = function (values) {
    var kept = Float64Array.from(values).filter(function (v) { return v > 0; }).sort();
    return kept.length ? kept[kept.length >> 1] : 0;
  };

  /* Index of the step that draws a typical length of `metres` some `pixels` long. */
  api.chosenStep = function (metres, pxPerMetre, pixels) {
    return metres > 0 && pxPerMetre > 0 ? api.step(pixels / (metres * pxPerMetre)) : 0;
  };

  /* Canvas ellipse: x to the right, y down, rotation clockwise from x. */
  api.ellipse = function (major_m, minor_m, azimuth_deg, pxPerMetre, exaggeration) {
    var k = pxPerMetre * exaggeration;
    return {rx: major_m * k, ry: minor_m * k, rotation: (azimuth_deg - 90) * Math.PI / 180};
  };

  /* Canvas arrow from the anchor: its end, and whether it had to be cut to `limit` pixels. */
  api.arrow = function (east_m, north_m, pxPerMetre, exaggeration, limit) {
    var k = pxPerMetre * exaggeration, dx = east_m * k, dy = -north_m * k, length = Math.hypot(dx, dy);
    var cut = length > limit, s = cut ? limit / length : 1;
    return {dx: dx * s, dy: dy * s, length: length * s, cut: cut};
  };

  /* Vectors turned clockwise by an angle each, in place. */
  api.turn = function (east, north, turn_deg) {
    for (var i = 0; i < east.length; i++) {
      var t = turn_deg[i] * Math.PI / 180, c = Math.cos(t), s = Math.sin(t), e = east[i];
      east[i] = c * e + s * north[i]; north[i] = c * north[i] - s * e;
    }
  };

  /* Order of drawing: by rank, then as they came; what has no style is not drawn. */
  api.order = function (styles, style) {
    var ranks = styles.map(function (s) { return s.rank; }), sorted = Array.from(new Set(ranks)).sort(function (a, b) { return a - b; });
    var place = ranks.map(function (r) { return sorted.indexOf(r); }), next = new Uint32Array(sorted.length + 1), n = style.length, i;
    for (i = 0; i < n; i++) { if (style[i] >= 0) { next[place[style[i]] + 1]++; } }
    for (i = 1; i < next.length; i++) { next[i] += next[i - 1]; }
    var out = new Uint32Array(next[next.length - 1]);
    for (i = 0; i < n; i++) { if (style[i] >= 0) { out[next[place[style[i]]]++] = i; } }
    return out;
  };

  api.short = function (text, limit) {
    if (text.length <= limit) { return text; }
    return Array.from(text.slice(0, 2 * limit)).slice(0, limit - 1).join("") + "…";
  };

  /* Boxes that may not overlap, kept by cells so that a test costs the same however many there are. */
  api.room = function (cell) {
    var cells = new Map();
    var over = function (b, visit) {
      for (var cx = Math.floor(b[0] / cell); cx <= Math.floor(b[2] / cell); cx++) {
        for (var cy = Math.floor(b[1] / cell); cy <= Math.floor(b[3] / cell); cy++) { if (visit(cx + "," + cy)) { return true; } }
      }
      return false;
    };
    return {
      /* `firm` boxes give way to nothing; the others give way to a name that must be read. */
      add: function (b, firm) { over(b, function (k) { if (!cells.has(k)) { cells.set(k, []); } cells.get(k).push([b, firm]); return false; }); },
      free: function (b, firmOnly) {
        return !over(b, function (k) {
          return (cells.get(k) || []).some(function (q) {
            var o = q[0];
            return (q[1] || !firmOnly) && o[0] < b[2] && b[0] < o[2] && o[1] < b[3] && b[1] < o[3];
          });
        });
      }
    };
  };

  var around = function (q) {
    var g = q.r + 4, left = q.x - g - q.w, right = q.x + g, mid = q.y - q.h / 2, up = q.y - g - q.h, down = q.y + g + 3;
    return [[right, mid], [left, mid], [q.x - q.w / 2, up], [q.x - q.w / 2, down], [right - 4, up + 4], [left + 4, up + 4], [right - 4, down - 4], [left + 4, down - 4]];
  };

  /* Where labels go: [{x, y, r, w, h, strong}] by priority in; those that found room inside `frame` out, with left and top. */
  api.placed = function (wanted, room, frame) {
    var kept = [];
    wanted.forEach(function (q) {
      var fits = function (firmOnly) {
        return around(q).some(function (at) {
          var b = [at[0] - 1, at[1], at[0] + q.w + 1, at[1] + q.h];
          if (b[0] < frame[0] || b[1] < frame[1] || b[2] > frame[2] || b[3] > frame[3] || !room.free(b, firmOnly)) { return false; }
          room.add(b, true); kept.push(Object.assign({left: at[0], top: at[1]}, q));
          return true;
        });
      };
      if (!fits(false) && q.strong) { fits(true); }
    });
    return kept;
  };

  /* The offset nearest to none that `free` takes, going outwards in rings; none where no ring has one. */
  api.spiral = function (free) {
    for (var r = 0; r <= 200; r += 10) {
      for (var k = 0; k < (r ? 16 : 1); k++) {
        var dx = r * Math.sin(k * Math.PI / 8), dy = -r * Math.cos(k * Math.PI / 8);
        if (free(dx, dy)) { return [dx, dy]; }
      }
    }
    return [0, 0];
  };

  /* A round length, 1, 2 or 5 times a power of ten, no longer than `most`. */
  api.round = function (most) {
    var p = Math.pow(10, Math.floor(Math.log10(most) + 1e-9)), q = most / p;
    return (q >= 5 ? 5 : q >= 2 ? 2 : 1) * p;
  };

  api.toSegment = function (px, py, ax, ay, bx, by) {
    var dx = bx - ax, dy = by - ay, q = dx * dx + dy * dy;
    var t = q ? Math.max(0, Math.min(1, ((px - ax) * dx + (py - ay) * dy) / q)) : 0;
    return Math.hypot(px - ax - t * dx, py - ay - t * dy);
  };

  api.inEllipse = function (dx, dy, e) {
    if (!(e.rx > 0 && e.ry > 0)) { return false; }
    var c = Math.cos(e.rotation), s = Math.sin(e.rotation), u = (dx * c + dy * s) / e.rx, v = (dy * c - dx * s) / e.ry;
    return u * u + v * v <= 1;
  };

  api.inPolygon = function (px, py, ring) {
    var inside = false;
    for (var i = 0, j = ring.length - 1; i < ring.length; j = i++) {
      var a = ring[i], b = ring[j];
      if ((a[1] > py) !== (b[1] > py) && px < (b[0] - a[0]) * (py - a[1]) / (b[1] - a[1]) + a[0]) { inside = !inside; }
    }
    return inside;
  };

  /* "1 cm is drawn as 5 m": the exaggeration said with a length of the job's unit. */
  api.saidAs = function (exaggeration, unit) {
    var feet = unit !== "m", own = feet ? 0.01 : 1, long = feet ? exaggeration * 0.01 : exaggeration / 100;
    var n = Number(long.toPrecision(6));
    return (feet ? "0.01 " + unit : own + " cm") + " is drawn as long as " + (n >= 1000 ? n.toLocaleString("en") : n) + " " + unit + " on the ground";
  };

  return api;
});
