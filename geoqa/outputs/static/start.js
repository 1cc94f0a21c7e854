/* Reads the data blocks and sets the sheet up. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  var ELLIPSE_PX = 12, ARROW_PX = 30, CLOSEST = 20, CLOSE = 18, REMEMBER_MS = 300;

  /* A block is let go once it is read: its text is large. */
  var read = function (id) { var e = document.getElementById(id), data = JSON.parse(e.textContent); e.remove(); return data; };
  var say = function (host, text) { host.append(G.el("p", {"class": "gq-failed", role: "alert", text: text})); };

  /* The part of the sheet that holds all symbols, or all that is drawn where there is none. */
  var extent = function (drawings) {
    var gather = function (kinds) {
      var boxes = drawings.map(function (d) { return d.x && (!kinds || kinds.indexOf(d.kind) >= 0) ? G.geometry.bounds(d.x, d.y) : null; }).filter(Boolean);
      return G.geometry.bounds([].concat.apply([], boxes.map(function (b) { return [b[0], b[2]]; })), [].concat.apply([], boxes.map(function (b) { return [b[1], b[3]]; })));
    };
    return gather(["symbols"]) || gather(null);
  };

  var corner = function (L, map, context) {
    var Corner = L.Control.extend({options: {position: "bottomleft"}, onAdd: function () {
      return G.el("div", {"class": "gq-north", title: context.north}, [G.el("span", {"class": "gq-needle", "aria-hidden": "true"}), G.el("span", {text: "N"})]);
    }});
    var Pointer = L.Control.extend({options: {position: "bottomleft"}, onAdd: function () {
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
    }});
    L.control.scale({metric: context.unit === "m", imperial: context.unit !== "m", position: "bottomleft", maxWidth: 140}).addTo(map);
    new Corner().addTo(map);
    new Pointer().addTo(map);
    L.control.zoom({position: "bottomright"}).addTo(map);
  };

  G.start = function (map) {
    var host = map.getContainer().parentElement;
    if (typeof DecompressionStream === "undefined") {
      say(host, "This browser cannot unpack the map: it lacks DecompressionStream. Open the file in a current Chrome, Edge, Firefox (113 or later) or Safari (16.4 or later).");
      return Promise.resolve();
    }
    return Promise.resolve().then(function () {
      var head = read("geoqa-head");
      return G.packed.inflate(G.packed.bytes(read("geoqa-block"))).then(function (block) { sheet(map, head, block); });
    }).catch(function (error) {
      say(host, "The map could not be drawn: its data are damaged. Ask for the file again.");
      throw error;
    });
  };

  var sheet = function (map, head, block) {
    var L = root.L, context = head.context, drawings = [], site = null;
    head.drawings.forEach(function (h, n) { if (h.points) { site = G.prepared(h, block, n); drawings[n] = site; } });
    head.drawings.forEach(function (h, n) { drawings[n] = drawings[n] || G.prepared(h, block, n, site); });
    var n = site ? site.n : 0, facets = site ? site.facets : [], chosen = G.choice.everything(facets), kept, shown = new Uint8Array(n).fill(1);
    var statuses = site ? site.styles.map(function (s) { return s.key; }) : [], order = null;
    var given = G.state.read(root.location.hash), box = extent(drawings);

    var fit = function () {
      map.invalidateSize({animate: false});
      if (!box) { map.setView([0, 0], 2, {animate: false}); return; }
      var side = Math.min(60, map.getSize().x * 0.07), lat = G.geometry.lat, lon = G.geometry.lon;
      map.fitBounds([[lat(box[3]), lon(box[0])], [lat(box[1]), lon(box[2])]], {paddingTopLeft: [side, 36], paddingBottomRight: [side, 56], maxZoom: CLOSEST, animate: false});
    };
    fit();
    map.getContainer().setAttribute("role", "group");
    map.getContainer().setAttribute("aria-label", "The drawing: arrow keys move it, plus and minus zoom");
    var layer = new (G.defineLayer(L))(drawings, shown).addTo(map);
    corner(L, map, context);

    var live = G.el("div", {"class": "gq-live", role: "status", "aria-live": "polite"});
    host(map).append(live);
    var announce = function (text) { live.textContent = text; };

    /* What a click shows is unpacked when something is first asked of it. */
    var readers = [];
    var tell = function (d) { return (readers[d.number] = readers[d.number] || G.told.reader(block, d.tables, context.grid, context.ahead)); };

    /* The point whose detail is open, or -1. */
    var opened = -1, opener = null, popup = null;
    var list = function () {
      order = order || G.choice.order(site.urgency || new Float64Array(n).fill(NaN), function (i) { return site.styles[site.style[i]].rank; });
      return order.filter(function (i) { return shown[i] && !isNaN(site.x[i]); });
    };
    /* Where a point stands in the list of those that show now. */
    var rank = function (i) { var all = list(), at = all.indexOf(i); return {all: all, at: at, text: (at + 1) + " of " + all.length + ", worst first"}; };
    /* From a point to one before or after it; the keyboard stays on the button that was pressed. */
    var step = function (i, by) {
      return function () {
        var r = rank(i);
        go(r.all[(r.at + by + r.all.length) % r.all.length]);
        var button = popup.getElement().querySelectorAll(".gq-steps button")[by < 0 ? 0 : 1];
        if (button) { button.focus({preventScroll: true}); }
      };
    };
    var open = function (q) {
      var reader = tell(q.drawing), name = G.nameOf(q.drawing, q.entry), size = map.getSize(), steps = null, deliver = "";
      if (q.drawing.points) {
        var r = rank(q.entry);
        steps = r.at < 0 || r.all.length < 2 ? null : {text: r.text, before: step(q.entry, -1), after: step(q.entry, 1)};
        deliver = site.mark ? ", " + context.delivery.filter(function (d) { return d.marked === (site.mark[q.entry] === 1); })[0].label : "";
        announce(name + ", " + site.styles[site.style[q.entry]].label + deliver + (steps ? ". " + steps.text : ""));
      }
      var content = G.detail(name, reader.sections(q.entry), steps), inside = document.activeElement && document.activeElement.closest(".gq-detail");
      /* The keyboard goes into the detail, and back to where it came from. */
      if (!inside) { opener = document.activeElement; }
      popup = L.popup({maxWidth: Math.min(700, size.x - 60), minWidth: Math.min(300, size.x - 60), maxHeight: Math.max(160, size.y * 0.62), autoPanPadding: [12, 12], className: "gq-popup"})
        .setLatLng(q.place || layer.latLng(q.drawing, q.entry)).setContent(content).openOn(map);
      opened = q.drawing.points ? q.entry : -1;
      content.focus({preventScroll: true});
      remember();
    };
    var go = function (i) {
      if (!isNaN(site.x[i])) { map.setView(layer.latLng(site, i), Math.max(map.getZoom(), CLOSE), {animate: false}); }
      open({drawing: site, entry: i});
    };
    map.on("popupclose", function (e) {
      if (e.popup !== popup) { return; }
      opened = -1; remember();
      /* Only a focus that went with the detail is given back: whoever is elsewhere stays there. */
      if (opener && opener.isConnected && document.activeElement === document.body) { opener.focus({preventScroll: true}); }
    });
    document.addEventListener("keydown", function (e) { if (e.key === "Escape") { map.closePopup(); } });
    layer.on("pick", open);

    var timer = 0;
    var remember = function () {
      root.clearTimeout(timer);
      timer = root.setTimeout(function () {
        var c = map.getCenter(), facet = {};
        facets.forEach(function (f, k) { if (chosen.facets[k] >= 0) { facet[f.title] = f.values[chosen.facets[k]]; } });
        var text = G.state.write({view: [map.getZoom(), c.lat, c.lng], large: layer.exaggeration, hidden: Array.from(chosen.hidden).sort(), undelivered: Array.from(chosen.undelivered).sort(), facets: facet, point: opened < 0 ? null : site.label.at(opened)});
        root.history.replaceState(null, "", "#" + text);
      }, REMEMBER_MS);
    };

    var tally = function () {
      if (site) { key.count(G.choice.tally(kept, site.style, site.mark, statuses, chosen, function (i) { return layer.inView(site, i); })); }
    };
    var apply = function () {
      kept = G.choice.kept(n, facets, chosen);
      shown.set(site ? G.choice.shown(kept, site.style, site.mark, statuses, chosen) : []);
      layer.hidden = chosen.hidden;
      var many = shown.reduce(function (sum, s) { return sum + s; }, 0);
      key.refresh(many, n);
      layer.redraw();
      return many;
    };
    /* The detail that is open follows what shows. */
    var follow = function () {
      if (opened < 0) { return; }
      if (!shown[opened]) { map.closePopup(popup); return; }
      var said = popup.getElement().querySelector(".gq-steps .gq-mean");
      if (said) { said.textContent = rank(opened).text; }
    };
    var changed = function () { var many = apply(); follow(); announce(many + " of " + n + " points show"); remember(); };

    /* Pictures in the page: straight in the map's projection, below all that is drawn. */
    var pictures = {};
    var pictured = function (d) {
      pictures[d.number] = pictures[d.number] || d.picture.map(function (data, i) {
        var ends = d.paths[i][0].map(function (p) { return [G.geometry.lat(p[1]), G.geometry.lon(p[0])]; });
        return L.imageOverlay(data, ends, {pane: "tilePane", className: "gq-picture", alt: d.title});
      });
      pictures[d.number].forEach(function (one) { one[d.on ? "addTo" : "removeFrom"](map); });
    };
    var tiles = {}, credit = G.el("div", {"class": "gq-credit"});
    host(map).append(credit);
    var act = {
      changed: changed, remember: remember, go: go,
      all: function () { chosen.hidden.clear(); chosen.undelivered.clear(); chosen.facets.fill(-1); changed(); },
      names: function () { return (act._names = act._names || Array.from({length: n}, function (_, i) { return site.label.at(i); })); },
      shown: function () { return shown; },
      order: list,
      need: function (i) {
        var label = site.styles[site.style[i]].label;
        return site.urgency && !isNaN(site.urgency[i]) ? label + ", " + G.units.times(site.urgency[i]) + " times its limit" : label;
      },
      switched: function (d) {
        if (d.kind === "picture") { pictured(d); return; }
        if (d.kind !== "tiles") { layer.redraw(); return; }
        tiles[d.number] = tiles[d.number] || L.tileLayer(d.url[0], {maxZoom: map.getMaxZoom(), maxNativeZoom: 19, referrerPolicy: "no-referrer"});
        tiles[d.number][d.on ? "addTo" : "removeFrom"](map);
        credit.textContent = drawings.filter(function (q) { return q.kind === "tiles" && q.on; }).map(function (q) { return q.label.at(0); }).join("; ");
      },
      save: function () {
        var reader = tell(site), rows = [["point"].concat(reader.heads())];
        for (var i = 0; i < n; i++) { if (shown[i]) { rows.push([site.label.at(i)].concat(reader.cells(i))); } }
        var url = URL.createObjectURL(new Blob([G.told.csv(rows)], {type: "text/csv;charset=utf-8"}));
        G.el("a", {href: url, download: "points-shown.csv"}).click();
        root.setTimeout(function () { URL.revokeObjectURL(url); }, 1000);
      },
      chosenStep: function () {
        var sizes = [], arrows = [], ppm = G.geometry.pixelsPerMetre(map.getCenter().lat, map.getZoom());
        drawings.forEach(function (d) {
          if (!d.exaggerated) { return; }
          if (d.kind === "ellipses") { sizes.push(G.geometry.median(d.semi_major_m)); }
          if (d.kind === "vectors") { arrows.push(G.geometry.median(d.east_m.map(function (e, i) { return Math.hypot(e, d.north_m[i]); }))); }
        });
        var typical = G.geometry.median(sizes);
        return typical ? G.geometry.chosenStep(typical, ppm, ELLIPSE_PX) : G.geometry.chosenStep(G.geometry.median(arrows), ppm, ARROW_PX);
      }
    };
    var key = G.key(document.getElementById("geoqa-key"), layer, context, site, chosen, act);

    /* What the address says; what it does not know of this site is let be. */
    drawings.forEach(function (d) { if (d.kind === "picture" && d.on) { pictured(d); } });
    given.hidden.forEach(function (s) { if (statuses.indexOf(s) >= 0) { chosen.hidden.add(s); } });
    given.undelivered.forEach(function (d) { if (context.delivery.some(function (q) { return q.deliver === d; })) { chosen.undelivered.add(d); } });
    facets.forEach(function (f, k) { chosen.facets[k] = Object.prototype.hasOwnProperty.call(given.facets, f.title) ? f.values.indexOf(given.facets[f.title]) : -1; });
    if (given.view) { map.setView([given.view[1], given.view[2]], given.view[0], {animate: false}); }
    key.setStep(given.large ? G.geometry.step(given.large) : act.chosenStep());
    apply();
    layer.on("drawn", tally); tally();
    map.on("moveend", remember);
    /* Another address put into the same window: what the page itself writes is not told here. */
    root.addEventListener("hashchange", function () { root.location.reload(); });
    if (given.point && site) { var i = act.names().indexOf(given.point); if (i >= 0 && shown[i]) { open({drawing: site, entry: i}); } }

    var repaint = function () { layer.drawNow(); key.paint(); };
    root.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
    var before = null;
    root.addEventListener("beforeprint", function () { before = {center: map.getCenter(), zoom: map.getZoom()}; map.closePopup(); fit(); repaint(); });
    root.addEventListener("afterprint", function () { map.invalidateSize({animate: false}); if (before) { map.setView(before.center, before.zoom, {animate: false}); } repaint(); });
    root.matchMedia("print").addEventListener("change", function (e) { if (e.matches) { fit(); } repaint(); });
    G.page = {map: map, layer: layer, context: context, site: site, chosen: chosen, open: open, go: go, key: key, act: act};
  };
  var host = function (map) { return map.getContainer().parentElement; };
})(typeof self !== "undefined" ? self : this);
