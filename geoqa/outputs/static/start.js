/* Reads the data blocks and sets the sheet up. A script of its own adds to the page by `Geoqa.more.push(function (page) { ... })`:
   it is called once the page is whole, before what the address names is opened. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  G.more = G.more || [];
  var ELLIPSE_PX = 12, ARROW_PX = 30, REMEMBER_MS = 300;

  /* A block is let go once it is read: its text is large. */
  var read = function (id) { var e = document.getElementById(id), data = JSON.parse(e.textContent); e.remove(); return data; };
  var say = function (host, text) { host.append(G.el("p", {"class": "gq-failed", role: "alert", text: text})); };

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
    var given = G.state.read(root.location.hash), mapHost = map.getContainer().parentElement;

    var whole = G.whole(map, drawings);
    whole();
    map.getContainer().setAttribute("role", "group");
    map.getContainer().setAttribute("aria-label", "The drawing: arrow keys move it, plus and minus zoom");
    var layer = new (G.defineLayer(L))(drawings, shown).addTo(map);
    layer.heights = {unit: context.unitUp, per: context.metresPerUnitUp};
    G.chart(L, map, layer, context, whole);

    var live = G.el("div", {"class": "gq-live", role: "status", "aria-live": "polite"}), credit = G.el("div", {"class": "gq-credit"});
    mapHost.append(live, credit);

    /* What a click shows is unpacked when something is first asked of it. */
    var readers = [], heard = {};
    var page = {
      map: map, mapHost: mapHost, layer: layer, context: context, site: site, drawings: drawings, block: block, chosen: chosen, shown: shown,
      given: given, parts: [], keyHost: document.getElementById("geoqa-key"),
      /* What the address says beside what is chosen, by name: functions that return a text, or null. `given.more` has what it said. */
      address: {},
      announce: function (text) { live.textContent = text; },
      on: function (name, act) { (heard[name] = heard[name] || []).push(act); },
      fire: function (name, what) { (heard[name] || []).forEach(function (act) { act(what); }); },
      tell: function (d) { return (readers[d.number] = readers[d.number] || G.told.reader(block, d.tables, context.grid, context.ahead)); },
      /* The entries of a drawing that can be stepped through: of the points those that show and have a place, the worst first. */
      order: function (d) {
        if (d.points) { return list(); }
        return Array.from({length: d.n}, function (_, i) { return i; }).filter(function (i) { return d.style[i] >= 0; });
      },
      go: function (i, d) { panel.open({drawing: d || site, entry: i}, {go: true}); },
      open: function (q) { panel.open(q); },
      /* By the title of a drawing and the name of an entry: whether it is there, and to go there. */
      has: function (title, name) { return find(title, name).entry >= 0; },
      named: function (title, name) { var q = find(title, name); page.go(q.entry, q.drawing); },
      /* Draw the points by another status, mark and urgency (as `site.style`, `site.mark`, `site.urgency`, or a number that the
         review's own is divided by); without them as the review has them. A status of -1 is drawn nowhere; a mark of null:
         nothing is known of delivery. */
      restyle: function (style, mark, urgency) {
        var before = site.urgency;
        site.style = style || own.style; site.mark = mark === undefined ? own.mark : mark;
        limits = typeof urgency === "number" ? urgency : 1; site.urgency = typeof urgency === "object" && urgency ? urgency : own.urgency;
        site.order = G.geometry.order(site.styles, site.style);
        if (site.urgency !== before) { order = null; }
        var all = new Uint8Array(n).fill(1);
        key.totals(style ? G.choice.tally(all, site.style, site.mark, statuses, G.choice.everything([]), function () { return true; }) : null);
        changed(); panel.again();
      }
    };
    var own = site ? {style: site.style, mark: site.mark, urgency: site.urgency} : {}, limits = 1;
    var panel = page.panel = G.panel(page);

    var list = function () {
      order = order || G.choice.order(site.urgency || new Float64Array(n).fill(NaN), function (i) { return site.style[i] < 0 ? 0 : site.styles[site.style[i]].rank; });
      return order.filter(function (i) { return shown[i] && !isNaN(site.x[i]); });
    };

    var timer = 0;
    var remember = function () {
      root.clearTimeout(timer);
      timer = root.setTimeout(function () {
        var c = map.getCenter(), facet = {}, more = {}, q = panel.opened();
        facets.forEach(function (f, k) { if (chosen.facets[k] >= 0) { facet[f.title] = f.values[chosen.facets[k]]; } });
        Object.keys(page.address).forEach(function (name) { more[name] = page.address[name](); });
        var text = G.state.write({view: [map.getZoom(), c.lat, c.lng], large: layer.exaggeration, hidden: Array.from(chosen.hidden).sort(), undelivered: Array.from(chosen.undelivered).sort(), facets: facet,
          point: q && q.drawing.points ? site.label.at(q.entry) : null, open: q && !q.drawing.points ? [q.drawing.title, G.nameOf(q.drawing, q.entry)] : null, more: more});
        root.history.replaceState(null, "", "#" + text);
      }, REMEMBER_MS);
    };
    page.on("opened", remember); page.on("closed", remember);

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
    var changed = function () { var many = apply(); page.fire("changed"); page.announce(many + " of " + n + " points show"); remember(); };

    /* Pictures in the page: straight in the map's projection, below all that is drawn. */
    var pictures = {};
    var pictured = function (d) {
      pictures[d.number] = pictures[d.number] || d.picture.map(function (data, i) {
        var ends = d.paths[i][0].map(function (p) { return [G.geometry.lat(p[1]), G.geometry.lon(p[0])]; });
        return L.imageOverlay(data, ends, {pane: "tilePane", className: "gq-picture", alt: d.title});
      });
      pictures[d.number].forEach(function (one) { one[d.on ? "addTo" : "removeFrom"](map); });
    };
    var tiles = {}, names = null;
    var act = page.act = {
      changed: changed, remember: remember, go: page.go, has: page.has, named: page.named,
      all: function () { chosen.hidden.clear(); chosen.undelivered.clear(); chosen.facets.fill(-1); changed(); },
      names: function () { return (names = names || Array.from({length: n}, function (_, i) { return site.label.at(i); })); },
      shown: function () { return shown; },
      order: list,
      need: function (i) {
        var label = site.styles[site.style[i]].label;
        return site.urgency && !isNaN(site.urgency[i]) ? label + ", " + G.units.times(site.urgency[i] / limits) + " times its limit" : label;
      },
      switched: function (d) {
        if (d.kind === "picture") { pictured(d); return; }
        if (d.kind !== "tiles") { layer.redraw(); return; }
        tiles[d.number] = tiles[d.number] || L.tileLayer(d.url[0], {maxZoom: map.getMaxZoom(), maxNativeZoom: 19, referrerPolicy: "no-referrer"});
        tiles[d.number][d.on ? "addTo" : "removeFrom"](map);
        credit.textContent = drawings.filter(function (q) { return q.kind === "tiles" && q.on; }).map(function (q) { return q.label.at(0); }).join("; ");
      },
      save: function () {
        var reader = page.tell(site), rows = [["point"].concat(reader.heads())];
        for (var i = 0; i < n; i++) { if (shown[i]) { rows.push([site.label.at(i)].concat(reader.cells(i))); } }
        G.download("points-shown.csv", G.told.csv(rows));
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
    var key = page.key = G.key(page.keyHost, layer, context, site, chosen, act);

    /* What the address says; what it does not know of this site is let be. */
    drawings.forEach(function (d) { if (d.kind === "picture" && d.on) { pictured(d); } });
    given.hidden.forEach(function (s) { if (statuses.indexOf(s) >= 0) { chosen.hidden.add(s); } });
    given.undelivered.forEach(function (d) { if (context.delivery.some(function (q) { return q.deliver === d; })) { chosen.undelivered.add(d); } });
    facets.forEach(function (f, k) { chosen.facets[k] = Object.prototype.hasOwnProperty.call(given.facets, f.title) ? f.values.indexOf(given.facets[f.title]) : -1; });
    key.setStep(given.large ? G.geometry.step(given.large) : act.chosenStep());
    apply();
    G.more.forEach(function (add) { add(page); });
    var named = given.point && site ? {drawing: site, entry: act.names().indexOf(given.point)} : given.open ? find(given.open[0], given.open[1]) : null;
    if (named && named.entry >= 0 && (!named.drawing.points || shown[named.entry])) { panel.open(named, {still: !!given.view, focus: false}); }
    if (given.view) { map.setView([given.view[1], given.view[2]], given.view[0], {animate: false}); }
    layer.on("drawn", tally); tally();
    map.on("moveend", remember);
    /* Another address put into the same window: what the page itself writes is not told here. */
    root.addEventListener("hashchange", function () { root.location.reload(); });

    function find(title, name) {
      var d = drawings.filter(function (q) { return q.title === title && q.tables.length; })[0], k = -1;
      for (var i = 0; d && i < d.n && k < 0; i++) { if (G.nameOf(d, i) === name) { k = i; } }
      return {drawing: d, entry: k};
    }

    var repaint = function () { layer.drawNow(); key.paint(); };
    root.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
    var before = null;
    root.addEventListener("beforeprint", function () { before = {center: map.getCenter(), zoom: map.getZoom()}; panel.quietly(whole); repaint(); });
    root.addEventListener("afterprint", function () {
      panel.quietly(function () { map.invalidateSize({animate: false}); if (before) { map.setView(before.center, before.zoom, {animate: false}); } });
      repaint();
    });
    root.matchMedia("print").addEventListener("change", function (e) { if (e.matches) { panel.quietly(whole); } repaint(); });
    G.page = page;
  };
})(typeof self !== "undefined" ? self : this);
