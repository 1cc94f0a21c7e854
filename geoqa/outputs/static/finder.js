/* The part of the key that finds points: by name, by what they may be chosen by, by need; and saves those that show. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  var LISTED = 100, FOUND = 20, FEW = 1000;

  G.finder = function (site, drawings, chosen, act, symbolOf) {
    var el = G.el;

    var entry = function (i, note, d) {
      var of = d || site, s = of.styles[of.style[i]];
      var b = el("button", {type: "button"}, [symbolOf(s, d ? 4 : 5), G.own(G.geometry.short(of.label.at(i), 40)), el("span", {"class": "gq-mean", text: note || s.label})]);
      b.addEventListener("click", function () { act.go(i, d); });
      return el("li", {}, [b]);
    };
    /* Zones, shifts and whatever else has a name and something to tell: few beside the points. */
    var others = drawings.filter(function (d) { return !d.points && d.label && d.tables.length && d.n <= FEW; });
    var also = function (text) {
      return [].concat.apply([], others.map(function (d) {
        var names = Array.from({length: d.n}, function (_, i) { return d.label.at(i); });
        return G.choice.search(names, text, d.style.map(function (s) { return s >= 0 ? 1 : 0; }), FOUND).map(function (i) { return {drawing: d, entry: i}; });
      })).slice(0, FOUND);
    };

    /* By name */
    var field = el("input", {type: "search", id: "geoqa-search", autocomplete: "off", spellcheck: "false", dir: "auto", placeholder: "name or part of it"});
    var found = el("ol", {"class": "gq-list", "aria-label": "Points found"}), none = el("p", {"class": "gq-mean gq-none", role: "status"});
    var search = function () {
      var hits = G.choice.search(act.names(), field.value, act.shown(), FOUND);
      var more = also(field.value);
      found.replaceChildren.apply(found, hits.map(function (i) { return entry(i); }).concat(more.map(function (q) { return entry(q.entry, q.drawing.title, q.drawing); })));
      none.textContent = field.value.trim() && !hits.length && !more.length ? "No point that shows has this in its name." : "";
      act.painted();
    };
    field.addEventListener("input", search);
    field.addEventListener("keydown", function (e) {
      if (e.key === "Enter") {
        var hits = G.choice.search(act.names(), field.value, act.shown(), 1), more = hits.length ? [] : also(field.value);
        if (hits.length) { act.go(hits[0]); } else if (more.length) { act.go(more[0].entry, more[0].drawing); }
      }
      if (e.key === "Escape" && field.value) { e.preventDefault(); field.value = ""; search(); }
    });

    /* By facet */
    var selects = site.facets.map(function (f, k) {
      var many = G.choice.many(f);
      var s = el("select", {id: "geoqa-facet-" + k}, [el("option", {value: "-1", text: "all"})].concat(f.values.map(function (v, n) {
        return el("option", {value: String(n), text: v + " (" + G.units.count(many[n]) + ")"});
      })));
      s.addEventListener("change", function () { chosen.facets[k] = +s.value; act.changed(); });
      return s;
    });
    var rows = site.facets.map(function (f, k) { return el("p", {"class": "gq-facet"}, [el("label", {"for": "geoqa-facet-" + k, text: f.title}), selects[k]]); });

    var said = el("p", {"class": "gq-said"});
    var all = G.button("Show all", act.all), save = G.button("Save shown as CSV", act.save);
    var box = el("section", {"class": "gq-find", "aria-label": "Find points"}, [
      el("h2", {text: "Find"}), el("p", {"class": "gq-facet"}, [el("label", {"for": "geoqa-search", text: "Point"}), field]), found, none
    ].concat(rows, [said, el("p", {"class": "gq-buttons"}, [all, save])]));

    /* By need */
    var list = el("ol", {"class": "gq-list"}), count = el("span"), worst = el("details", {"class": "gq-worst"}, [el("summary", {text: "Worst first"}), count, list]);
    var fill = function () {
      if (!worst.open) { return; }
      var order = act.order(), some = Array.prototype.slice.call(order, 0, LISTED);
      list.replaceChildren.apply(list, some.map(function (i) { return entry(i, act.need(i)); }));
      count.textContent = order.length > LISTED ? "The first " + LISTED + " of " + G.units.count(order.length) + "." : "";
      count.className = "gq-mean";
      act.painted();
    };
    worst.addEventListener("toggle", fill);

    return {
      box: box, worst: worst,
      refresh: function (shown, total) {
        said.textContent = (shown === total ? "All " : G.units.count(shown) + " of ") + G.units.counted(total, "point") + (total === 1 ? " shows." : " show.");
        all.disabled = shown === total; save.disabled = !shown;
        selects.forEach(function (s, k) { s.value = String(chosen.facets[k]); });
        fill();
        if (field.value) { search(); }
      }
    };
  };
})(typeof self !== "undefined" ? self : this);
