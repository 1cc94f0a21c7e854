/* One canvas layer that draws every drawing: areas and lines below, then ellipses, arrows, symbols, names. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  var KINDS = G.KINDS = ["polygons", "lines", "ellipses", "vectors", "symbols"];
  var REACH = 14, LABEL = 24, FONT = "12px system-ui, 'DejaVu Sans', sans-serif", MANY = 3000, STRONG = 3;

  /* What matters more is drawn larger. */
  var radius = function (style) { return 4.4 + 0.7 * Math.max(0, Math.min(4, style.rank)); };

  /* A drawing made ready: anchors at zoom 0, drawing order, which styles and groups show. */
  G.prepared = function (block, lon0, number) {
    var columns = G.geometry.columns(block), at = G.geometry.anchors(columns, lon0);
    var d = {number: number, kind: block.kind, title: block.title, about: block.about, exaggerated: block.exaggerated, on: block.shown,
      listed: block.listed, styles: block.styles, columns: columns, x: at.x, y: at.y, n: columns.style.length,
      order: G.geometry.order(block.styles, columns.style), lon0: lon0};
    if (columns.path) {
      d.paths = columns.path.map(function (path) { return path.map(function (p) { return G.geometry.world(G.geometry.near(p[0], lon0), p[1]); }); });
    }
    return d;
  };

  G.defineLayer = function (L) {
    return L.Layer.extend({
      options: {pane: "overlayPane", padding: 0.15},
      initialize: function (drawings) {
        this.drawings = drawings; this.exaggeration = 1; this.hidden = new Set(); this.names = true; this.printing = false;
        this.drawn = {symbols: 0, ellipses: 0, vectors: 0, labels: 0};
        this._widths = new Map();
      },
      getEvents: function () {
        return {moveend: this._reset, viewreset: this._reset, resize: this._reset, zoom: this._onZoom, zoomanim: this._onZoomAnim};
      },
      onAdd: function (map) {
        this._canvas = L.DomUtil.create("canvas", "gq-canvas leaflet-zoom-animated", this.getPane());
        this._canvas.setAttribute("role", "img");
        this._canvas.setAttribute("aria-label", "Symbols of the points; the key lists them by name under Worst first");
        map.on("click", this._onClick, this).on("mousemove", this._onMove, this);
        this._reset();
      },
      onRemove: function (map) {
        map.off("click", this._onClick, this).off("mousemove", this._onMove, this);
        this._canvas.remove();
      },
      redraw: function () {
        if (this._frame || !this._map) { return; }
        this._frame = requestAnimationFrame(L.bind(function () { this._frame = 0; this._reset(); }, this));
      },
      /* Draw now: printing does not wait for a frame. */
      drawNow: function () { if (this._map) { this._reset(); } },
      theme: function () {
        var css = getComputedStyle(this._map.getContainer());
        var get = function (name) { return css.getPropertyValue(name).trim(); };
        return {ink: get("--gq-ink"), paper: get("--gq-ground"), dark: get("--gq-dark") === "1"};
      },
      _onZoom: function () { this._transform(this._map.getCenter(), this._map.getZoom()); },
      _onZoomAnim: function (e) { this._transform(e.center, e.zoom); },
      _transform: function (center, zoom) {
        var m = this._map, scale = m.getZoomScale(zoom, this._zoom), half = m.getSize().multiplyBy(0.5 + this.options.padding);
        var corner = m.project(this._center, zoom).subtract(half.multiplyBy(scale)).subtract(m._getNewPixelOrigin(center, zoom));
        L.DomUtil.setTransform(this._canvas, corner, scale);
      },
      _reset: function () {
        var m = this._map, size = m.getSize(), p = this.options.padding, canvas = this._canvas, ratio = root.devicePixelRatio || 1;
        var w = Math.round(size.x * (1 + 2 * p)), h = Math.round(size.y * (1 + 2 * p));
        this._center = m.getCenter(); this._zoom = m.getZoom();
        var corner = m.containerPointToLayerPoint(size.multiplyBy(-p)).round();
        if (canvas.width !== Math.round(w * ratio) || canvas.height !== Math.round(h * ratio)) {
          canvas.width = Math.round(w * ratio); canvas.height = Math.round(h * ratio);
          canvas.style.width = w + "px"; canvas.style.height = h + "px";
        }
        L.DomUtil.setTransform(canvas, corner, 1);
        var origin = m.getPixelOrigin().add(corner), k = Math.pow(2, this._zoom);
        this._corner = corner;
        this.view = {k: k, ox: origin.x, oy: origin.y, w: w, h: h, limit: 0.25 * Math.min(size.x, size.y),
          ppm: G.geometry.pixelsPerMetre(this._center.lat, this._zoom), ex: this.exaggeration,
          inner: [size.x * p, size.y * p, size.x * (1 + p), size.y * (1 + p)]};
        this._draw(canvas.getContext("2d"), ratio);
        this.fire("drawn");
      },
      _px: function (d, i) { return [d.x[i] * this.view.k - this.view.ox, d.y[i] * this.view.k - this.view.oy]; },
      _shows: function (d, i) {
        return d.on && !(d.columns.group && this.hidden.has(d.columns.group[i]));
      },
      _draw: function (g, ratio) {
        var v = this.view, t = this.theme(), self = this;
        g.setTransform(ratio, 0, 0, ratio, 0, 0); g.clearRect(0, 0, v.w, v.h);
        this.drawn = {symbols: 0, ellipses: 0, vectors: 0, lines: 0, polygons: 0, labels: 0};
        this._seen = [];
        KINDS.forEach(function (kind) {
          self.drawings.forEach(function (d) { if (d.kind === kind && d.on) { self["_" + kind](g, d, t); } });
        });
        if (this.names) { this._labels(g, t); }
      },
      _colour: function (style, t) { return t.dark ? style.dark : style.colour; },
      _each: function (d, margin, act) {
        var v = this.view;
        for (var q = 0; q < d.n; q++) {
          var i = d.order[q], x = d.x[i] * v.k - v.ox, y = d.y[i] * v.k - v.oy;
          if (!(x > -margin && x < v.w + margin && y > -margin && y < v.h + margin) || !this._shows(d, i)) { continue; }
          act(i, x, y, d.styles[d.columns.style[i]]);
        }
      },
      _polygons: function (g, d, t) { this._outline(g, d, t, true); },
      _lines: function (g, d, t) { this._outline(g, d, t, false); },
      _outline: function (g, d, t, area) {
        var v = this.view;
        for (var q = 0; q < d.n; q++) {
          var i = d.order[q], style = d.styles[d.columns.style[i]], path = d.paths[i];
          if (!path.length || !this._shows(d, i)) { continue; }
          g.beginPath();
          path.forEach(function (p, k) { g[k ? "lineTo" : "moveTo"](p[0] * v.k - v.ox, p[1] * v.k - v.oy); });
          g.strokeStyle = g.fillStyle = this._colour(style, t); g.lineWidth = 1.4; g.setLineDash(style.shape === "dash" ? [6, 4] : []);
          if (area) { g.closePath(); g.globalAlpha = 0.12; g.fill(); g.globalAlpha = 1; }
          g.stroke(); g.setLineDash([]);
          this.drawn[d.kind]++;
        }
      },
      _ellipses: function (g, d, t) {
        var self = this, v = this.view, c = d.columns;
        this._each(d, 3000, function (i, x, y, style) {
          var e = G.geometry.ellipse(c.semi_major_m[i], c.semi_minor_m[i], c.azimuth_deg[i], v.ppm, d.exaggerated ? v.ex : 1);
          if (!(e.rx > 0.5) || e.rx > 6000) { return; }
          g.beginPath(); g.ellipse(x, y, e.rx, e.ry, e.rotation, 0, 2 * Math.PI);
          g.fillStyle = g.strokeStyle = self._colour(style, t); g.lineWidth = 1;
          g.globalAlpha = 0.1; g.fill(); g.globalAlpha = 0.75; g.stroke(); g.globalAlpha = 1;
          self.drawn.ellipses++;
        });
      },
      _arrow: function (d, i) {
        var v = this.view, c = d.columns;
        if (c.east_m[i] === null || c.north_m[i] === null) { return {length: 0}; }
        return G.geometry.arrow(c.east_m[i], c.north_m[i], v.ppm, d.exaggerated ? v.ex : 1, v.limit);
      },
      _vectors: function (g, d, t) {
        var self = this;
        this._each(d, this.view.limit, function (i, x, y, style) {
          var a = self._arrow(d, i);
          if (!(a.length > 2)) { return; }
          g.save(); g.translate(x, y);
          G.symbols.arrow(g, a.dx, a.dy, a.cut, self._colour(style, t), t.paper, style.rank ? 2.2 : 1.2);
          g.restore(); self.drawn.vectors++;
        });
      },
      _symbols: function (g, d, t) {
        var self = this, seen = this._seen;
        this._each(d, 20, function (i, x, y, style) {
          g.save(); g.translate(x, y);
          G.symbols.symbol(g, style.shape, radius(style), self._colour(style, t), t.ink, t.paper);
          if (d.columns.mark && d.columns.mark[i]) { G.symbols.mark(g, radius(style), t.ink, t.paper); }
          g.restore();
          seen.push({d: d, i: i, x: x, y: y, rank: style.rank, r: radius(style)}); self.drawn.symbols++;
        });
      },
      _labels: function (g, t) {
        var v = this.view, seen = this._seen, self = this, b = v.inner;
        if (seen.length > MANY) { return; }
        var room = G.geometry.room(64);
        g.font = FONT; g.textBaseline = "middle"; g.textAlign = "left"; g.direction = "ltr";
        seen.forEach(function (s) { room.add([s.x - s.r - 2, s.y - s.r - 2, s.x + s.r + 2, s.y + s.r + 5], s.rank >= STRONG); });
        var wanted = seen.filter(function (s) { return s.d.columns.label && s.x > b[0] && s.x < b[2] && s.y > b[1] && s.y < b[3]; });
        wanted.sort(function (p, q) { return q.rank - p.rank || p.i - q.i; });
        wanted = wanted.map(function (s) {
          var text = G.geometry.short(s.d.columns.label[s.i], LABEL);
          if (!self._widths.has(text)) { self._widths.set(text, g.measureText(text).width); }
          return {x: s.x, y: s.y, r: s.r + 3, w: self._widths.get(text), h: 14, text: text, strong: s.rank >= STRONG};
        });
        G.geometry.placed(wanted, room, b).forEach(function (q) {
          g.lineJoin = "round"; g.lineWidth = 3; g.strokeStyle = t.paper; g.fillStyle = t.ink;
          g.globalAlpha = q.strong ? 1 : 0.78;
          g.strokeText(q.text, q.left, q.top + 7); g.fillText(q.text, q.left, q.top + 7);
          self.drawn.labels++;
        });
        g.globalAlpha = 1;
      },
      /* What stands at a place of the container: the nearest symbol, else what else has detail there. */
      at: function (point) {
        var v = this.view, q = this._map.containerPointToLayerPoint(point).subtract(this._corner), best = null, reach = REACH, self = this;
        this._seen.forEach(function (s) {
          var gap = Math.hypot(s.x - q.x, s.y - q.y);
          if (s.d.columns.detailed && gap <= reach) { best = {drawing: s.d, entry: s.i}; reach = gap; }
        });
        if (best) { return best; }
        KINDS.slice(0, 4).forEach(function (kind) {
          self.drawings.forEach(function (d) {
            if (d.kind !== kind || !d.on || !d.columns.detailed) { return; }
            for (var i = 0; i < d.n; i++) { if (self._shows(d, i) && self._touches(d, i, q, v)) { best = {drawing: d, entry: i}; } }
          });
        });
        return best;
      },
      _touches: function (d, i, q, v) {
        var c = d.columns, p = this._px(d, i), path;
        if (d.kind === "ellipses") {
          return G.geometry.inEllipse(q.x - p[0], q.y - p[1], G.geometry.ellipse(c.semi_major_m[i], c.semi_minor_m[i], c.azimuth_deg[i], v.ppm, d.exaggerated ? v.ex : 1));
        }
        if (d.kind === "vectors") { var a = this._arrow(d, i); return a.length > 0 && G.geometry.toSegment(q.x, q.y, p[0], p[1], p[0] + a.dx, p[1] + a.dy) < 6; }
        path = d.paths[i].map(function (w) { return [w[0] * v.k - v.ox, w[1] * v.k - v.oy]; });
        if (d.kind === "polygons") { return G.geometry.inPolygon(q.x, q.y, path); }
        return path.some(function (b, k) { return k && G.geometry.toSegment(q.x, q.y, path[k - 1][0], path[k - 1][1], b[0], b[1]) < 6; });
      },
      latLng: function (d, i) {
        var n = Math.PI - 2 * Math.PI * d.y[i] / 256;
        return L.latLng(Math.atan(Math.sinh(n)) * 180 / Math.PI, d.x[i] / 256 * 360 - 180);
      },
      _onClick: function (e) {
        var hit = this.at(e.containerPoint);
        if (hit) { this.fire("pick", hit); }
      },
      _onMove: function (e) { this._map.getContainer().classList.toggle("gq-over", !!this.at(e.containerPoint)); }
    });
  };
})(typeof self !== "undefined" ? self : this);
