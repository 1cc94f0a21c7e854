/* Reads the data blocks and sets the sheet up. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  var ELLIPSE_PX = 12, ARROW_PX = 30, CLOSEST = 20;

  var read = function (id) { var e = document.getElementById(id); return e ? JSON.parse(e.textContent) : null; };

  var firstLon = function (blocks) {
    for (var k = 0; k < blocks.length; k++) {
      var lons = G.geometry.columns(blocks[k]).lon_deg || [];
      for (var i = 0; i < lons.length; i++) { if (lons[i] !== null) { return lons[i]; } }
    }
    return 0;
  };

  /* The part of the sheet that holds all symbols, or all that is drawn where there is none. */
  var extent = function (blocks, lon0) {
    var gather = function (kinds) {
      var lons = [], lats = [];
      blocks.forEach(function (b) {
        var c = G.geometry.columns(b);
        if (kinds && kinds.indexOf(b.kind) < 0) { return; }
        if (c.path) { c.path.forEach(function (p) { p.forEach(function (q) { lons.push(q[0]); lats.push(q[1]); }); }); }
        else { c.lon_deg.forEach(function (v, i) { lons.push(v); lats.push(c.lat_deg[i]); }); }
      });
      return G.geometry.bounds(lons, lats, lon0);
    };
    return gather(["symbols"]) || gather(null);
  };

  var corner = function (L, map, unit, north) {
    var Corner = L.Control.extend({options: {position: "bottomleft"}, onAdd: function () {
      var box = G.el("div", {"class": "gq-north", title: north}, [G.el("span", {"class": "gq-needle", "aria-hidden": "true"}), G.el("span", {text: "N"})]);
      return box;
    }});
    L.control.scale({metric: unit === "m", imperial: unit !== "m", position: "bottomleft", maxWidth: 140}).addTo(map);
    new Corner().addTo(map);
    L.control.zoom({position: "bottomright"}).addTo(map);
  };

  G.start = function (map, count) {
    var L = root.L, context = read("geoqa-context"), blocks = [], details = {};
    for (var k = 0; k < count; k++) { blocks.push(read("geoqa-drawing-" + k)); }
    var lon0 = firstLon(blocks), box = extent(blocks, lon0);
    var detail = function (d, i) { if (!details[d.number]) { details[d.number] = read("geoqa-detail-" + d.number) || []; } return details[d.number][i] || []; };
    var drawings = blocks.map(function (b, n) {
      var d = G.prepared(b, lon0, n);
      d.columns.detailed = !!document.getElementById("geoqa-detail-" + n);
      return d;
    });
    var fit = function () {
      map.invalidateSize({animate: false});
      if (!box) { map.setView([0, 0], 2, {animate: false}); return; }
      var side = Math.min(60, map.getSize().x * 0.07);
      map.fitBounds([[box[1], box[0]], [box[3], box[2]]], {paddingTopLeft: [side, 36], paddingBottomRight: [side, 56], maxZoom: CLOSEST, animate: false});
    };
    fit();
    var layer = new (G.defineLayer(L))(drawings).addTo(map);
    corner(L, map, context.unit, context.north);

    var opener = null;
    var open = function (q) {
      var size = map.getSize(), name = q.drawing.columns.label ? q.drawing.columns.label[q.entry] : q.drawing.title;
      var content = G.detail(name, detail(q.drawing, q.entry));
      L.popup({maxWidth: Math.min(700, size.x - 40), minWidth: Math.min(300, size.x - 60), maxHeight: Math.max(160, size.y * 0.62), autoPanPadding: [12, 12], className: "gq-popup"})
        .setLatLng(layer.latLng(q.drawing, q.entry)).setContent(content).openOn(map);
      /* The keyboard goes into the detail, and back to where it came from. */
      if (!document.activeElement.closest(".gq-detail")) { opener = document.activeElement; }
      content.focus({preventScroll: true});
    };
    map.on("popupclose", function () { if (opener && opener.isConnected) { opener.focus({preventScroll: true}); } });
    document.addEventListener("keydown", function (e) { if (e.key === "Escape") { map.closePopup(); } });
    layer.on("pick", open);

    var act = {
      chosenStep: function () {
        var sizes = [], arrows = [], ppm = G.geometry.pixelsPerMetre(map.getCenter().lat, map.getZoom());
        drawings.forEach(function (d) {
          if (!d.exaggerated) { return; }
          if (d.kind === "ellipses") { sizes = sizes.concat(d.columns.semi_major_m); }
          if (d.kind === "vectors") { arrows = arrows.concat(d.columns.east_m.map(function (e, i) { return Math.hypot(e, d.columns.north_m[i]); })); }
        });
        var typical = G.geometry.median(sizes);
        return typical ? G.geometry.chosenStep(typical, ppm, ELLIPSE_PX) : G.geometry.chosenStep(G.geometry.median(arrows), ppm, ARROW_PX);
      },
      worst: function (limit) {
        var all = [];
        drawings.forEach(function (d) {
          if (d.kind !== "symbols" || !d.columns.label || !d.columns.group) { return; }
          for (var i = 0; i < d.n; i++) { if (!isNaN(d.x[i])) { all.push({drawing: d, entry: i, rank: d.styles[d.columns.style[i]].rank}); } }
        });
        return all.sort(function (a, b) { return b.rank - a.rank || a.entry - b.entry; }).slice(0, limit);
      },
      go: function (q) { map.setView(layer.latLng(q.drawing, q.entry), Math.max(map.getZoom(), 18), {animate: false}); open(q); }
    };
    var key = G.key(document.getElementById("geoqa-key"), map, layer, context, act);
    key.setStep(act.chosenStep());

    var repaint = function () { layer.drawNow(); key.paint(); };
    root.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
    var before = null;
    root.addEventListener("beforeprint", function () { before = {center: map.getCenter(), zoom: map.getZoom()}; map.closePopup(); fit(); repaint(); });
    root.addEventListener("afterprint", function () { map.invalidateSize({animate: false}); if (before) { map.setView(before.center, before.zoom, {animate: false}); } repaint(); });
    root.matchMedia("print").addEventListener("change", function (e) { if (e.matches) { fit(); } repaint(); });
    G.page = {map: map, layer: layer, context: context, open: open, key: key};
  };
})(typeof self !== "undefined" ? self : this);
