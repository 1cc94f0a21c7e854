/* The panel beside the map (below it where the window is narrow): what is known of the point, zone or shift that was chosen.

   G.panel(page) makes it; start.js keeps it as `page.panel`:
     open(q, how)  show the detail of q = {drawing, entry}; `how` may have `go` (move the map there and closer), `focus`
                   (false: the keyboard stays where it is), `button` (which of the panel's own buttons gets it)
     close()       close it; the map shows again what it showed before, unless the reader moved it since
     opened()      q, or null
     again()       make the detail anew, after what it tells of has changed
     step(by)      open the entry before (-1) or after (1) this one in the order of its list
     quietly(act)  do what moves the map without its being taken for the reader's choice
   Others add to it by `page.parts`, a list of functions (entry, drawing) -> element or null: what they return stands in
   their order beneath the name, above the tables. `page.on("opened" | "closed" | "changed", act)` tells of what happens. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  /* Pixels that the chosen point keeps from the edge of the map; the zoom at which single points are told apart. */
  var MARGIN = 60, CLOSE = 18;

  G.panel = function (page) {
    var map = page.map, layer = page.layer, el = G.el, sheet = map.getContainer().closest(".gq-sheet");
    var host = el("aside", {"class": "gq-panel", "aria-label": "Detail", hidden: ""});
    sheet.insertBefore(host, page.keyHost);
    var now = null, before = null, opener = null, ours = false, said = null, scrolled = 0;

    /* The map moved by the panel itself: no choice of the reader. */
    var quietly = function (act) { ours = true; try { act(); } finally { ours = false; } };
    map.on("movestart zoomstart", function () { if (!ours) { before = null; } });

    var place = function () {
      var at = now.place || layer.latLng(now.drawing, now.entry), box = layer.bounds(now.drawing, now.entry);
      return {at: at, box: box};
    };
    var closer = function () {
      var p = place();
      if (p.box) { map.fitBounds(p.box, {padding: [MARGIN, MARGIN], maxZoom: CLOSE, animate: false}); }
      else if (p.at) { map.setView(p.at, now.drawing.points ? Math.max(map.getZoom(), CLOSE) : map.getZoom(), {animate: false}); }
    };
    /* No farther than is needed. */
    var inSight = function () {
      var at = place().at;
      if (!at) { return; }
      var p = map.latLngToContainerPoint(at), size = map.getSize(), by = [0, 0];
      ["x", "y"].forEach(function (axis, k) {
        var edge = Math.min(MARGIN, size[axis] / 3);
        by[k] = Math.min(0, p[axis] - edge) + Math.max(0, p[axis] - (size[axis] - edge));
      });
      if (by[0] || by[1]) { map.panBy(by, {animate: false}); }
    };

    var rank = function () {
      var all = page.order(now.drawing), k = all.indexOf(now.entry);
      return {all: all, at: k, text: (k + 1) + " of " + all.length + (now.drawing.points ? ", worst first" : "")};
    };
    var step = function (by, how) {
      var r = now ? rank() : {at: -1, all: []};
      if (r.at < 0 || r.all.length < 2) { return; }
      open({drawing: now.drawing, entry: r.all[(r.at + by + r.all.length) % r.all.length]}, Object.assign({go: true}, how));
    };

    var render = function () {
      var d = now.drawing, r = rank(), name = G.nameOf(d, now.entry);
      said = null;
      var bar = el("p", {"class": "gq-steps"}, r.at < 0 || r.all.length < 2 ? [] : [
        G.button("Previous", function () { step(-1, {button: 0}); }), G.button("Next", function () { step(1, {button: 1}); }),
        said = el("span", {"class": "gq-mean", text: r.text})
      ]);
      bar.append(G.button("Close", close, {"class": "gq-plain gq-close"}));
      var parts = page.parts.map(function (part) { return part(now.entry, d); });
      host.replaceChildren(el("article", {"class": "gq-detail", tabindex: "-1", "aria-label": name},
        [bar, el("h2", {}, [G.own(name)])].concat(parts, page.tell(d).sections(now.entry).map(G.section))));
      return {name: name, rank: r};
    };

    var open = function (q, how) {
      var first = !now, seen = how || {};
      /* The keyboard goes into the detail, and back to where it came from. */
      if (!host.contains(document.activeElement)) { opener = document.activeElement; }
      if (first) { before = {center: map.getCenter(), zoom: map.getZoom()}; scrolled = root.scrollY; }
      now = q;
      var made = render();
      layer.chosen = q; layer.redraw();
      if (first) { host.hidden = false; sheet.classList.add("gq-open"); quietly(function () { map.invalidateSize({pan: false, animate: false}); }); }
      if (!seen.still) { quietly(seen.go ? closer : inSight); }
      host.scrollTop = 0;
      /* Where the page itself scrolls, the map may be out of sight. */
      if (getComputedStyle(host).position === "fixed") { page.mapHost.scrollIntoView({block: "start"}); }
      var goal = seen.button === undefined ? host.firstChild : host.querySelectorAll(".gq-steps button")[seen.button];
      if (seen.focus !== false && goal) { goal.focus({preventScroll: true}); }
      if (q.drawing.points) {
        var deliver = page.site.mark ? ", " + page.context.delivery.filter(function (d) { return d.marked === (page.site.mark[q.entry] === 1); })[0].label : "";
        page.announce(made.name + ", " + page.site.styles[page.site.style[q.entry]].label + deliver + (said ? ". " + made.rank.text : ""));
      }
      page.fire("opened", q);
    };
    var close = function () {
      if (!now) { return; }
      var inside = host.contains(document.activeElement);
      now = null; layer.chosen = null;
      host.hidden = true; host.replaceChildren(); sheet.classList.remove("gq-open");
      quietly(function () {
        map.invalidateSize({pan: false, animate: false});
        if (before) { map.setView(before.center, before.zoom, {animate: false}); }
      });
      before = null; layer.redraw(); root.scrollTo(0, scrolled);
      /* Only a focus that went with the detail is given back: whoever is elsewhere stays there. */
      if (inside && opener && opener.isConnected) { opener.focus({preventScroll: true}); }
      page.fire("closed");
    };
    var again = function () {
      if (!now) { return; }
      var inside = host.contains(document.activeElement), top = host.scrollTop;
      render(); host.scrollTop = top;
      if (inside) { host.firstChild.focus({preventScroll: true}); }
    };

    page.on("changed", function () {
      if (!now || !now.drawing.points) { return; }
      if (!page.shown[now.entry]) { close(); } else if (said) { said.textContent = rank().text; }
    });
    host.addEventListener("keydown", function (e) {
      if (e.altKey || e.ctrlKey || e.metaKey || e.shiftKey || e.target.closest("input, select, textarea, .gq-scroll")) { return; }
      if (e.key === "ArrowLeft" || e.key === "ArrowRight") { e.preventDefault(); step(e.key === "ArrowLeft" ? -1 : 1); }
    });
    document.addEventListener("keydown", function (e) { if (e.key === "Escape" && !e.defaultPrevented) { close(); } });
    layer.on("pick", function (q) { open(q); });
    return {open: open, close: close, opened: function () { return now; }, again: again, step: step, quietly: quietly, host: host};
  };
})(typeof self !== "undefined" ? self : this);
