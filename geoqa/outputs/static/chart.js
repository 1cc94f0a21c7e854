/* What stands on the drawing's edge: north, scale, the place under the pointer, the buttons; and the view of the whole site. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  var CLOSEST = 20, BAR_PX = 100;

  /* The part of the sheet that holds all symbols, or all that is drawn where there is none. */
  var extent = function (drawings) {
    var gather = function (kinds) {
      var boxes = drawings.map(function (d) { return d.x && (!kinds || kinds.indexOf(d.kind) >= 0) ? G.geometry.bounds(d.x, d.y) : null; }).filter(Boolean);
      return G.geometry.bounds([].concat.apply([], boxes.map(function (b) { return [b[0], b[2]]; })), [].concat.apply([], boxes.map(function (b) { return [b[1], b[3]]; })));
    };
    return gather(["symbols"]) || gather(null);
  };

  /* Returns a function that shows the whole site. */
  G.whole = function (map, drawings) {
    var box = extent(drawings);
    return function () {
      map.invalidateSize({animate: false});
      if (!box) { map.setView([0, 0], 2, {animate: false}); return; }
      var side = Math.min(60, map.getSize().x * 0.07), lat = G.geometry.lat, lon = G.geometry.lon;
      map.fitBounds([[lat(box[3]), lon(box[0])], [lat(box[1]), lon(box[2])]], {paddingTopLeft: [side, 36], paddingBottomRight: [side, 56], maxZoom: CLOSEST, animate: false});
    };
  };

  G.chart = function (L, map, layer, context, whole) {
    var control = function (position, make) { return new (L.Control.extend({options: {position: position}, onAdd: make}))().addTo(map); };
    /* Two bars: of the ground, and of what is enlarged. */
    var bar = function (shown, perMetre, words) {
      var line = G.el("span", {"class": "gq-bar-line"}), text = G.el("span"), box = G.el("div", {"class": "gq-bar-box"}, [line, text, G.el("span", {"class": "gq-bar-words", text: words})]);
      layer.on("drawn", function () {
        var per = perMetre() * context.metresPerUnit, length = G.geometry.round(BAR_PX / per);
        box.hidden = !shown();
        line.style.width = length * per + "px"; text.textContent = G.units.short(length, context.unit);
      });
      return box;
    };
    control("bottomleft", function () {
      return G.el("div", {"class": "gq-bars"}, [
        bar(function () { return layer.drawings.some(function (d) { return d.exaggerated && d.on && d.n; }); }, function () { return layer.view.ppm * layer.view.ex; }, "of ellipses and arrows"),
        bar(function () { return true; }, function () { return layer.view.ppm; }, "on the ground")
      ]);
    });
    control("bottomleft", function () {
      return G.el("div", {"class": "gq-north", title: context.north}, [G.el("span", {"class": "gq-needle", "aria-hidden": "true"}), G.el("span", {text: "N"})]);
    });
    control("bottomleft", function () {
      var box = G.el("div", {"class": "gq-pointer", "aria-hidden": "true"}), grid = context.grid, per = context.metresPerUnit;
      map.on("mousemove", function (e) {
        var m = G.geometry.mercator(e.latlng.lng, e.latlng.lat), at = grid && G.packed.inGrid(grid, m[0], m[1]) ? G.packed.grid(grid, m[0], m[1]) : null;
        /* As many decimals as a pixel shows, and no more than the polynomial holds. */
        var pixel = 1 / G.geometry.pixelsPerMetre(e.latlng.lat, map.getZoom()), fine = Math.max(pixel, grid ? grid.error_m : 0);
        var decimals = Math.max(0, Math.min(3, Math.floor(1 - Math.log10(fine / per))));
        if (at) { box.textContent = "E " + G.units.number(at[0] / per, decimals) + "  N " + G.units.number(at[1] / per, decimals) + " " + context.unit; }
        else { box.textContent = grid || !context.lonlat ? "" : "lon " + G.units.number(e.latlng.wrap().lng, decimals + 5) + "°  lat " + G.units.number(e.latlng.lat, decimals + 5) + "°"; }
      });
      map.on("mouseout", function () { box.textContent = ""; });
      return box;
    });
    control("bottomright", function () {
      var step = function (sign, name, by) { return G.button(sign, function () { map.setZoom(map.getZoom() + by); }, {"aria-label": name, title: name}); };
      var box = G.el("div", {"class": "gq-view"}, [step("+", "Zoom in", 1), step("−", "Zoom out", -1), G.button("Whole site", whole)]);
      L.DomEvent.disableClickPropagation(box);
      return box;
    });
  };
})(typeof self !== "undefined" ? self : this);
