/* One canvas layer that draws every drawing: areas and lines below, then ellipses, arrows, symbols, names; very many points as cells. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  var KINDS = G.KINDS = ["polygons", "lines", "ellipses", "vectors", "symbols"];
  var REACH = 14, LABEL = 24, FONT = "12px Ubuntu, 'Noto Sans', 'Segoe UI', 'Helvetica Neue', 'DejaVu Sans', sans-serif", STRONG = 3;
  /* More points than this in view are drawn as cells of the ground, this many pixels wide at whole zooms. */
  var MANY = 3000, CELL = 56;
  /* More ellipses than this are outlines only. */
  var FILLED = 600;
  var SPRITE = 44;
  /* Pixels between a handle's middle and the middle of any symbol. */
  var CLEAR = 30;

  /* What matters more is drawn larger. */
  var radius = function (style) { return (4.4 + 0.7 * Math.max(0, Math.min(4, style.rank))) * (style.shape === "frame" ? 1.4 : style.shape === "lozenge" ? 1.2 : 1); };

  /* Whether an ellipse is drawn: neither smaller than a pixel nor so large that its line lies far outside. */
  var seen = function (e) { return e.rx > 0.5 && e.rx <= 6000; };

  /* The rings of a line or an area as a path of the canvas. */
  var trace = function (g, rings, v, area) {
    rings.forEach(function (ring) {
      ring.forEach(function (p, k) { g[k ? "lineTo" : "moveTo"](p[0] * v.k - v.ox, p[1] * v.k - v.oy); });
      if (area) { g.closePath(); }
    });
  };

  /* A drawing unpacked: anchors at zoom 0, drawing order; `site` is the drawing of the site's points, where it is another. */
  G.prepared = function (head, block, number, site) {
    var d = {number: number, kind: head.kind, title: head.title, about: head.about, exaggerated: head.exaggerated, on: head.shown, listed: head.listed,
      points: head.points, styles: head.styles, n: head.n, tables: head.tables, label: null, group: null, owner: null};
    Object.keys(head.columns).forEach(function (name) {
      var c = head.columns[name];
      d[name] = c.words === undefined ? (Array.isArray(c) ? c : G.packed.numbers(block, c)) : G.packed.texts(block, c);
    });
    d.facets = head.facets.map(function (f) { return G.choice.facet(f.title, G.packed.starts(G.packed.numbers(block, f.each)), G.packed.texts(block, f)); });
    if (d.point) {
      d.owner = d.point; d.site = site;
      d.x = Float64Array.from(d.owner, function (i) { return site ? site.x[i] : NaN; }); d.y = Float64Array.from(d.owner, function (i) { return site ? site.y[i] : NaN; });
    } else if (d.x) {
      d.x = d.x.map(G.geometry.worldX); d.y = d.y.map(G.geometry.worldY);
    }
    if (d.rings) { d.paths = G.geometry.paths(d); }
    if (d.turn_deg && d.east_m) { G.geometry.turn(d.east_m, d.north_m, d.turn_deg); }
    if (d.turn_deg && d.azimuth_deg) { d.azimuth_deg = d.azimuth_deg.map(function (a, i) { return a + (d.turn_deg[i] || 0); }); }
    d.order = G.geometry.order(d.styles, d.style);
    return d;
  };
  G.nameOf = function (d, i) { return d.owner ? d.site.label.at(d.owner[i]) : d.label ? d.label.at(i) : d.title; };

  G.defineLayer = function (L) {
    return L.Layer.extend({
      options: {pane: "overlayPane", padding: 0.15},
      initialize: function (drawings, shown) {
        this.drawings = drawings; this.exaggeration = 1; this.names = true;
        /* Which points of the site show, and which statuses are hidden; owned by the key. */
        this.shown = shown; this.hidden = new Set();
        /* What the panel tells of: {drawing, entry}, or null. */
        this.chosen = null;
        /* The unit of heights, and metres of it. */
        this.heights = {unit: "m", per: 1};
        /* Where handles stand aside of the points, pixels by their place. */
        this._aside = new Map();
        this.drawn = {symbols: 0, ellipses: 0, vectors: 0, labels: 0, cells: 0};
        this._widths = new Map(); this._seen = []; this._cells = [];
      },
      getEvents: function () {
        return {moveend: this._reset, viewreset: this._reset, resize: this._reset, zoom: this._onZoom, zoomanim: this._onZoomAnim};
      },
      onAdd: function (map) {
        this._canvas = L.DomUtil.create("canvas", "gq-canvas leaflet-zoom-animated", this.getPane());
        this._canvas.setAttribute("role", "img");
        this._canvas.setAttribute("aria-label", "Symbols of the points; the key finds them by name and lists the worst first");
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
      drawNow: function () { if (this._map) { this._sprites = null; this._reset(); } },
      theme: function () {
        var css = getComputedStyle(this._map.getContainer());
        var get = function (name) { return css.getPropertyValue(name).trim(); };
        return {ink: get("--gq-ink"), paper: get("--gq-ground"), focus: get("--gq-focus"), dark: get("--gq-dark") === "1"};
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
      /* Whether the anchor of an entry lies in what can be seen. */
      inView: function (d, i) {
        var v = this.view, x = d.x[i] * v.k - v.ox, y = d.y[i] * v.k - v.oy;
        return x >= v.inner[0] && x <= v.inner[2] && y >= v.inner[1] && y <= v.inner[3];
      },
      _px: function (d, i) {
        var x = d.x[i] * this.view.k - this.view.ox, y = d.y[i] * this.view.k - this.view.oy;
        var by = d.points || d.owner || !this._aside.size ? null : this._aside.get(d.x[i] + " " + d.y[i]);
        return by ? [x + by[0], y + by[1]] : [x, y];
      },
      /* A handle (lozenge) gives way to the symbols of points and to other handles: to the nearest place that is free. */
      _standAside: function (site) {
        var v = this.view, self = this, taken = [];
        this._aside = new Map();
        if (!site) { return; }
        this._each(site, 40, function (i, x, y) { taken.push([x, y]); });
        this.drawings.forEach(function (d) {
          if (d.kind !== "symbols" || !d.on || !d.styles.some(function (s) { return s.shape === "lozenge"; })) { return; }
          for (var i = 0; i < d.n; i++) {
            if (d.style[i] < 0 || d.styles[d.style[i]].shape !== "lozenge" || isNaN(d.x[i])) { continue; }
            var x = d.x[i] * v.k - v.ox, y = d.y[i] * v.k - v.oy;
            var free = G.geometry.spiral(function (dx, dy) { return taken.every(function (p) { return Math.hypot(p[0] - x - dx, p[1] - y - dy) >= CLEAR; }); });
            self._aside.set(d.x[i] + " " + d.y[i], free);
            taken.push([x + free[0], y + free[1]]);
          }
        });
      },
      _shows: function (d, i) {
        if (d.points) { return this.shown[i] === 1; }
        return d.owner ? this.shown[d.owner[i]] === 1 : !(d.group && this.hidden.has(d.group.at(i)));
      },
      _draw: function (g, ratio) {
        var v = this.view, t = this.theme(), self = this;
        g.setTransform(ratio, 0, 0, ratio, 0, 0); g.clearRect(0, 0, v.w, v.h);
        this.drawn = {symbols: 0, ellipses: 0, vectors: 0, lines: 0, polygons: 0, labels: 0, cells: 0, ticks: 0};
        this._seen = []; this._cells = [];
        var site = this.drawings.filter(function (d) { return d.points; })[0];
        var crowded = !!site && site.on && this._count(site) > MANY;
        this._standAside(crowded ? null : site);
        KINDS.forEach(function (kind) {
          self.drawings.forEach(function (d) {
            if (d.kind !== kind || !d.on || (crowded && (d.points || d.owner))) { return; }
            self["_" + kind](g, d, t, ratio);
          });
        });
        if (crowded) { this._crowd(g, site, t); }
        if (this.names) { this._labels(g, t); }
        this._ring(g, t);
      },
      /* A ring around the chosen point or handle, or around all of a line or an area. */
      _ring: function (g, t) {
        var q = this.chosen, v = this.view;
        if (!q || (!q.drawing.paths && isNaN(q.drawing.x[q.entry]))) { return; }
        g.beginPath();
        if (q.drawing.paths) { trace(g, q.drawing.paths[q.entry], v, q.drawing.kind === "polygons"); }
        else { var p = this._px(q.drawing, q.entry); g.arc(p[0], p[1], radius(q.drawing.styles[q.drawing.style[q.entry]] || {rank: 0}) * 1.6 + 7, 0, 2 * Math.PI); }
        g.lineWidth = 6; g.strokeStyle = t.paper; g.stroke();
        g.lineWidth = 3; g.strokeStyle = t.focus; g.stroke();
      },
      _count: function (d) {
        var v = this.view, x = d.x, y = d.y, shown = this.shown, n = 0, x0 = v.ox / v.k, x1 = (v.ox + v.w) / v.k, y0 = v.oy / v.k, y1 = (v.oy + v.h) / v.k;
        for (var i = 0; i < d.n; i++) { if (shown[i] && x[i] >= x0 && x[i] <= x1 && y[i] >= y0 && y[i] <= y1) { n++; } }
        return n;
      },
      _colour: function (style, t) { return t.dark ? style.dark : style.colour; },
      _each: function (d, margin, act) {
        var v = this.view, x0 = (v.ox - margin) / v.k, x1 = (v.ox + v.w + margin) / v.k, y0 = (v.oy - margin) / v.k, y1 = (v.oy + v.h + margin) / v.k;
        for (var q = 0; q < d.order.length; q++) {
          var i = d.order[q], x = d.x[i], y = d.y[i];
          if (x > x0 && x < x1 && y > y0 && y < y1 && this._shows(d, i)) { var p = this._px(d, i); act(i, p[0], p[1], d.styles[d.style[i]]); }
        }
      },
      _polygons: function (g, d, t) { this._outline(g, d, t, true); },
      _lines: function (g, d, t) { this._outline(g, d, t, false); },
      _outline: function (g, d, t, area) {
        var v = this.view;
        for (var q = 0; q < d.order.length; q++) {
          var i = d.order[q], style = d.styles[d.style[i]];
          if (!this._shows(d, i)) { continue; }
          g.beginPath();
          trace(g, d.paths[i], v, area);
          g.strokeStyle = g.fillStyle = this._colour(style, t); g.lineWidth = 1.4; g.setLineDash(style.shape === "dash" ? [6, 4] : []);
          if (area) { g.globalAlpha = 0.16; g.fill("evenodd"); g.globalAlpha = 1; }
          g.stroke(); g.setLineDash([]);
          this.drawn[d.kind]++;
          if (area && d.label && style.rank >= STRONG) { this._name(d, i, style, v); }
        }
      },
      /* An area that is to be named is so at its northern end, where the name covers none of its points. */
      _name: function (d, i, style, v) {
        var top = d.paths[i][0].reduce(function (a, b) { return b[1] < a[1] ? b : a; });
        this._seen.push({d: d, i: i, x: top[0] * v.k - v.ox, y: top[1] * v.k - v.oy, rank: style.rank, r: 0});
      },
      _shape: function (d, i) { return G.geometry.ellipse(d.semi_major_m[i], d.semi_minor_m[i], d.azimuth_deg[i], this.view.ppm, d.exaggerated ? this.view.ex : 1); },
      _ellipses: function (g, d, t) {
        var self = this, found = [];
        this._each(d, 3000, function (i, x, y, style) {
          var e = self._shape(d, i);
          if (seen(e)) { found.push([x, y, e, style]); }
        });
        var fill = found.length <= FILLED; g.lineWidth = 1;
        /* One path an ellipse: many in one path are slow to fill. */
        found.forEach(function (f) {
          g.beginPath(); g.ellipse(f[0], f[1], f[2].rx, f[2].ry, f[2].rotation, 0, 2 * Math.PI);
          g.fillStyle = g.strokeStyle = self._colour(f[3], t);
          if (fill) { g.globalAlpha = 0.1; g.fill(); }
          g.globalAlpha = 0.75; g.stroke();
        });
        g.globalAlpha = 1; this.drawn.ellipses += found.length;
      },
      _arrow: function (d, i) {
        var v = this.view;
        if (isNaN(d.east_m[i]) || isNaN(d.north_m[i])) { return {length: 0}; }
        return G.geometry.arrow(d.east_m[i], d.north_m[i], v.ppm, d.exaggerated ? v.ex : 1, v.limit);
      },
      _vectors: function (g, d, t) {
        var self = this;
        this._each(d, this.view.limit, function (i, x, y, style) {
          var a = self._arrow(d, i);
          if (!(a.length > 2)) { return; }
          g.save(); g.translate(x, y);
          G.symbols.arrow(g, a.dx, a.dy, a.cut, self._colour(style, t), t.paper, style.rank ? 2.2 : style.shape === "dash" ? 0.9 : 1.2, style.shape === "dash");
          g.restore(); self.drawn.vectors++;
        });
      },
      /* A symbol drawn once and stamped from then on. */
      _sprite: function (style, marked, t, ratio) {
        var id = [style.key, style.shape, this._colour(style, t), t.paper, marked, ratio].join("|");
        this._sprites = this._sprites || new Map();
        if (!this._sprites.has(id)) {
          var c = document.createElement("canvas"); c.width = c.height = Math.ceil(SPRITE * ratio);
          var g = c.getContext("2d"); g.scale(ratio, ratio); g.translate(SPRITE / 2, SPRITE / 2);
          G.symbols.symbol(g, style.shape, radius(style), this._colour(style, t), t.ink, t.paper);
          if (marked) { G.symbols.mark(g, radius(style), t.ink, t.paper); }
          this._sprites.set(id, c);
        }
        return this._sprites.get(id);
      },
      _symbols: function (g, d, t, ratio) {
        var self = this, seen = this._seen, sprites = d.styles.map(function (s) { return [false, true].map(function (marked) { return self._sprite(s, marked, t, ratio); }); });
        this._each(d, 20, function (i, x, y, style) {
          var by = d.points || d.owner ? null : self._aside.get(d.x[i] + " " + d.y[i]);
          if (by && (by[0] || by[1])) {
            g.beginPath(); g.moveTo(x, y); g.lineTo(x - by[0], y - by[1]); g.lineWidth = 1; g.strokeStyle = self._colour(style, t); g.setLineDash([2, 3]); g.stroke(); g.setLineDash([]);
          }
          var sprite = sprites[d.style[i]][d.mark && d.mark[i] ? 1 : 0];
          g.drawImage(sprite, x - SPRITE / 2, y - SPRITE / 2, sprite.width / ratio, sprite.height / ratio);
          if (d.rise_m && d.rise_m[i]) {
            g.save(); g.translate(x, y); G.symbols.tick(g, radius(style), d.rise_m[i] > 0, self._colour(style, t), t.paper); g.restore(); self.drawn.ticks++;
          }
          seen.push({d: d, i: i, x: x, y: y, rank: style.rank, r: radius(style)}); self.drawn.symbols++;
        });
      },
      _crowd: function (g, d, t) {
        /* Between whole zooms cells grow with the ground. */
        var v = this.view, size = CELL * Math.pow(2, this._zoom - Math.round(this._zoom)), ranks = d.styles.map(function (s) { return s.rank; }), self = this;
        this._cells = G.cells.gather(d.x, d.y, d.style, ranks, this.shown, v, size);
        var most = this._cells.reduce(function (m, c) { return Math.max(m, c.many); }, 1);
        g.font = FONT.replace("12px", "600 11px"); g.textAlign = "center"; g.textBaseline = "middle"; g.lineJoin = "round"; g.direction = "ltr";
        this._cells.forEach(function (c) {
          var style = d.styles[c.style];
          c.r = G.cells.radius(c, most);
          g.save(); g.translate(c.x, c.y);
          G.symbols.symbol(g, style.shape, c.r, self._colour(style, t), t.ink, t.paper);
          g.restore();
        });
        this._cells.forEach(function (c) {
          g.lineWidth = 3; g.strokeStyle = t.paper; g.fillStyle = t.ink;
          g.strokeText(G.cells.label(c), c.x, c.y + c.r + 10); g.fillText(G.cells.label(c), c.x, c.y + c.r + 10);
        });
        g.textAlign = "left"; this.drawn.cells = this._cells.length;
      },
      _labels: function (g, t) {
        var v = this.view, seen = this._seen, self = this, b = v.inner, room = G.geometry.room(64);
        g.font = FONT; g.textBaseline = "middle"; g.textAlign = "left"; g.direction = "ltr";
        seen.forEach(function (s) { room.add([s.x - s.r - 2, s.y - s.r - 2, s.x + s.r + 2, s.y + s.r + 5], s.rank >= STRONG); });
        var wanted = seen.filter(function (s) { return s.d.label && s.x > b[0] && s.x < b[2] && s.y > b[1] && s.y < b[3]; });
        wanted.sort(function (p, q) { return q.rank - p.rank || p.i - q.i; });
        wanted = wanted.map(function (s) {
          var rise = s.d.rise_m ? s.d.rise_m[s.i] : NaN, text = G.geometry.short(s.d.label.at(s.i), LABEL);
          if (rise) { text += (rise > 0 ? " ↑" : " ↓") + G.units.short(Math.abs(rise) / self.heights.per, self.heights.unit); }
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
      /* What stands at a place of the container: a cell, the nearest symbol, else what else has something to tell there; what
         hangs on a point is that point. */
      at: function (point) {
        var v = this.view, q = this._map.containerPointToLayerPoint(point).subtract(this._corner), best = null, reach = REACH, self = this;
        this._cells.forEach(function (c) { if (Math.hypot(c.x - q.x, c.y - q.y) <= c.r + 4) { best = {cell: c}; } });
        this._seen.forEach(function (s) {
          var gap = Math.hypot(s.x - q.x, s.y - q.y);
          if ((s.d.tables.length || s.d.owner) && gap <= reach) { best = {drawing: s.d, entry: s.i}; reach = gap; }
        });
        var owner = function () { return best && best.drawing && best.drawing.owner ? {drawing: best.drawing.site, entry: best.drawing.owner[best.entry]} : best; };
        if (best || this._cells.length) { return owner(); }
        KINDS.slice(0, 4).forEach(function (kind) {
          self.drawings.forEach(function (d) {
            if (d.kind !== kind || !d.on || !(d.tables.length || d.owner)) { return; }
            for (var i = 0; i < d.n; i++) { if (d.style[i] >= 0 && self._shows(d, i) && self._touches(d, i, q, v)) { best = {drawing: d, entry: i}; } }
          });
        });
        return owner();
      },
      _touches: function (d, i, q, v) {
        if (d.kind === "ellipses" || d.kind === "vectors") {
          var p = this._px(d, i);
          /* Far off: told without working out its shape. */
          if (Math.abs(p[0] - q.x) > v.w || Math.abs(p[1] - q.y) > v.h) { return false; }
          if (d.kind === "ellipses") { var e = this._shape(d, i); return seen(e) && G.geometry.inEllipse(q.x - p[0], q.y - p[1], e); }
          var a = this._arrow(d, i);
          return a.length > 0 && G.geometry.toSegment(q.x, q.y, p[0], p[1], p[0] + a.dx, p[1] + a.dy) < 6;
        }
        var rings = d.paths[i].map(function (ring) { return ring.map(function (w) { return [w[0] * v.k - v.ox, w[1] * v.k - v.oy]; }); });
        if (d.kind === "polygons") { return rings.filter(function (ring) { return G.geometry.inPolygon(q.x, q.y, ring); }).length % 2 === 1; }
        return rings.some(function (path) { return path.some(function (b, k) { return k && G.geometry.toSegment(q.x, q.y, path[k - 1][0], path[k - 1][1], b[0], b[1]) < 6; }); });
      },
      /* Where an entry stands; null where it has no place on the map. */
      latLng: function (d, i) {
        if (d.paths) { return this.bounds(d, i).getCenter(); }
        return isNaN(d.x[i]) ? null : L.latLng(G.geometry.lat(d.y[i]), G.geometry.lon(d.x[i]));
      },
      /* What a line or an area covers; null of what stands at one place. */
      bounds: function (d, i) { return d.paths ? L.latLngBounds(d.paths[i][0].map(function (p) { return [G.geometry.lat(p[1]), G.geometry.lon(p[0])]; })) : null; },
      _onClick: function (e) {
        var hit = this.at(e.containerPoint);
        if (hit && hit.cell) { this._map.setView(e.latlng, Math.min(this._map.getZoom() + 2, this._map.getMaxZoom())); } else if (hit) { this.fire("pick", hit.drawing.paths ? Object.assign({place: e.latlng}, hit) : hit); }
      },
      _onMove: function (e) { this._map.getContainer().classList.toggle("gq-over", !!this.at(e.containerPoint)); }
    });
  };
})(typeof self !== "undefined" ? self : this);
