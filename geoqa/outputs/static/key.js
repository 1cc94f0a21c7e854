/* The key beside the map: the square of statuses, delivery, layers, exaggeration, what was asked, cautions. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  var LISTED = 100;

  G.key = function (host, map, layer, context, act) {
    var el = G.el, swatches = [];

    var swatch = function (paint, w, h) {
      var c = el("canvas", {"class": "gq-swatch", width: 2 * w, height: 2 * h, "aria-hidden": "true"});
      c.style.width = w + "px"; c.style.height = h + "px";
      swatches.push(function () {
        var g = c.getContext("2d"), t = layer.theme();
        g.setTransform(2, 0, 0, 2, 0, 0); g.clearRect(0, 0, w, h); g.translate(w / 2, h / 2); paint(g, t);
      });
      return c;
    };
    var symbolOf = function (s, marked, r, w, h) {
      return swatch(function (g, t) {
        G.symbols.symbol(g, s.shape, r, t.dark ? s.dark : (s.light || s.colour), t.ink, t.paper);
        if (marked) { G.symbols.mark(g, r, t.ink, t.paper); }
      }, w, h);
    };
    var check = function (on, change, kids) {
      var box = el("input", {type: "checkbox"}); box.checked = on;
      box.addEventListener("change", function () { change(box.checked); });
      return el("label", {"class": "gq-check"}, [box].concat(kids));
    };

    /* The square */
    var cell = function (s) {
      var b = el("button", {type: "button", "class": "gq-cell gq-" + s.status, "aria-pressed": "true", "data-status": s.status, title: "Show or hide these points"}, [
        el("span", {"class": "gq-top"}, [symbolOf(s, false, 7, 26, 26), el("span", {"class": "gq-count", text: String(s.count)})]),
        el("strong", {text: s.status}), el("span", {"class": "gq-mean", text: s.meaning})
      ]);
      b.addEventListener("click", function () {
        var on = b.getAttribute("aria-pressed") !== "true";
        b.setAttribute("aria-pressed", String(on));
        layer.hidden[on ? "delete" : "add"](s.status); layer.redraw();
      });
      return b;
    };
    var at = function (tolerance, expectation) {
      return context.symbols.filter(function (s) { return s.tolerance === tolerance && s.expectation === expectation; })[0];
    };
    var square = el("div", {"class": "gq-square"});
    square.append(el("span", {"class": "gq-corner"}));
    Object.keys(context.expectations).forEach(function (e) { square.append(el("span", {"class": "gq-col", text: context.expectations[e]})); });
    square.append(el("span", {"class": "gq-col gq-aside", text: "not tested"}));
    Object.keys(context.tolerances).forEach(function (t, k) {
      square.append(el("span", {"class": "gq-row"}, [el("span", {text: context.tolerances[t]})]));
      Object.keys(context.expectations).forEach(function (e) { square.append(cell(at(t, e))); });
      if (!k) { var beside = cell(at(null, null)); beside.classList.add("gq-beside"); square.append(beside); }
    });
    var judged = el("section", {"aria-label": "Status of the points"}, [
      el("h2", {text: "Do repeated fixes agree?"}),
      el("p", {"class": "gq-hint", text: "Rows: the job's tolerance. Columns: " + (context.expectationKnown ?
        "what the stated precision lets expect here." : "not judged, for no precision is known; all that is beyond counts as unusual, all that is within as usual.")}), square
    ]);

    /* Delivery */
    var sample = context.symbols[0];
    var delivery = el("section", {"class": "gq-delivery", "aria-label": "Delivery"}, [el("h2", {text: "May it be delivered?"})].concat(context.delivery.map(function (d) {
      return el("p", {"data-deliver": d.deliver}, [symbolOf(sample, d.marked, 6, 26, 26), el("span", {text: d.label + (d.marked ? ": a bar under the symbol" : ": no bar")}), el("span", {"class": "gq-count", text: String(d.count)})]);
    })));

    /* Layers */
    var layers = el("section", {"aria-label": "Layers"}, [el("h2", {text: "Drawn"})]);
    var lineOf = function (d, s) {
      if (d.kind === "vectors") { return swatch(function (g, t) { g.translate(-12, 0); G.symbols.arrow(g, 24, 0, false, t.dark ? s.dark : s.colour, t.paper, s.rank ? 2.2 : 1.2); }, 30, 18); }
      return symbolOf(s, false, 5.5, 30, 18);
    };
    var rows = layer.drawings.slice().sort(function (a, b) { return G.KINDS.indexOf(b.kind) - G.KINDS.indexOf(a.kind) || a.number - b.number; });
    rows.forEach(function (d) {
      if (!d.n) { return; }
      var pic = !d.listed && d.styles.length === 1 ? lineOf(d, d.styles[0]) : null;
      layers.append(check(d.on, function (on) { d.on = on; layer.redraw(); }, [pic, el("span", {}, [G.own(d.title)])]));
      if (d.about && d.kind !== "symbols") { layers.append(el("p", {"class": "gq-about"}, [G.own(d.about)])); }
      if (d.listed) {
        d.styles.forEach(function (s) { layers.append(el("p", {"class": "gq-style"}, [lineOf(d, s), G.own(s.label + (s.about ? ": " + s.about : ""))])); });
      }
    });
    var names = check(true, function (on) { layer.names = on; layer.redraw(); }, [el("span", {text: "Names, where there is room"})]);
    names.classList.add("gq-names");
    layers.append(names);

    /* Exaggeration */
    var slider = el("input", {type: "range", id: "geoqa-exaggeration", min: "0", max: String(G.geometry.STEPS.length - 1), step: "1"});
    var value = el("output", {"for": "geoqa-exaggeration", "class": "gq-value"}), said = el("p", {"class": "gq-about"});
    var setStep = function (k) {
      var x = G.geometry.STEPS[k];
      slider.value = String(k); layer.exaggeration = x; layer.redraw();
      value.textContent = "× " + x.toLocaleString("en");
      slider.setAttribute("aria-valuetext", "times " + x);
      said.textContent = G.geometry.saidAs(x, context.unit) + ". An arrow too long for the sheet is cut, with a break in its shaft.";
    };
    slider.addEventListener("input", function () { setStep(+slider.value); });
    var again = el("button", {type: "button", "class": "gq-plain", text: "Choose for this view"});
    again.addEventListener("click", function () { setStep(act.chosenStep()); });
    var larger = el("section", {"aria-label": "Exaggeration"}, [
      el("h2", {}, [el("label", {"for": "geoqa-exaggeration", text: "Ellipses and arrows enlarged"}), value]), slider, said, again]);
    if (!layer.drawings.some(function (d) { return d.exaggerated && d.n; })) { larger.hidden = true; }

    /* Worst first */
    var list = el("ol", {"class": "gq-list"}), worst = el("details", {"class": "gq-worst"}, [el("summary", {text: "Worst first"}), list]);
    worst.addEventListener("toggle", function () {
      if (!worst.open || list.firstChild) { return; }
      act.worst(LISTED).forEach(function (q) {
        var s = q.drawing.styles[q.drawing.columns.style[q.entry]];
        var b = el("button", {type: "button"}, [symbolOf(s, false, 5, 20, 20), G.own(G.geometry.short(q.drawing.columns.label[q.entry], 40)), el("span", {"class": "gq-mean", text: s.label})]);
        b.addEventListener("click", function () { act.go(q); });
        list.append(el("li", {}, [b]));
      });
      paint();
    });

    /* What was asked, what to mind */
    var asked = el("section", {"class": "gq-asked", "aria-label": "Tolerance and requirement"}, [el("h2", {text: "Asked of this job"}), el("dl", {}, [
      el("dt", {text: "tolerance"}), el("dd", {}, [G.own(context.tolerance)]),
      el("dt", {text: "requirement"}), el("dd", {}, [G.own(context.requirement)]),
      el("dt", {text: "system"}), el("dd", {}, [G.own(context.crs)]),
      el("dt", {text: "unit"}), el("dd", {text: context.unitName})
    ])]);
    var mind = el("section", {"class": "gq-mind", "aria-label": "Cautions"}, [el("h2", {text: "Mind"}), el("ul", {}, context.cautions.map(function (c) { return el("li", {}, [G.own(c)]); }))]);

    var notes = el("section", {"class": "gq-notes", "aria-label": "Notes"}, [el("h2", {text: "Of this review"}), el("ul", {}, context.notes.map(function (n) { return el("li", {}, [G.own(n)]); }))]);
    notes.hidden = !context.notes.length;

    /* What the stated precision is worth, by cover */
    var classes = el("details", {"class": "gq-worst gq-classes"}, [el("summary", {text: context.classes.title}), G.table(context.classes),
      el("p", {"class": "gq-mean", text: "One sigma as the receivers state it → as repeated visits show it, with 95 % bounds; and the share of initializations that were grossly wrong."})]);
    classes.hidden = !context.classes.rows.length;

    host.append(judged, delivery, worst, classes, layers, larger, asked, notes, mind);
    var paint = function () { swatches.forEach(function (p) { p(); }); };
    paint();
    return {paint: paint, setStep: setStep};
  };
})(typeof self !== "undefined" ? self : this);
