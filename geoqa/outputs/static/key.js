/* The key beside the map: the square of statuses, delivery, what finds points, layers, exaggeration, what was asked, cautions. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  /* More looks of one layer than this are not listed: nobody reads them. */
  var STYLES = 30;

  G.key = function (host, layer, context, site, chosen, act) {
    var el = G.el, swatches = [], figure = G.units.count;

    var swatch = function (paint, w, h) {
      var c = el("canvas", {"class": "gq-swatch", width: 2 * w, height: 2 * h, "aria-hidden": "true"});
      c.style.width = w + "px"; c.style.height = h + "px";
      var draw = function (t) {
        var g = c.getContext("2d");
        g.setTransform(2, 0, 0, 2, 0, 0); g.clearRect(0, 0, w, h); g.translate(w / 2, h / 2); paint(g, t);
      };
      swatches.push({canvas: c, draw: draw});
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
    /* One name of a set of what is hidden: a button shows only it, and all again; its eye hides it and shows it again. */
    var toggles = [];
    var toggle = function (hidden, all, name, more, data, kids) {
      var b = el("button", Object.assign({type: "button", title: "Show only these points; once more: all"}, more), kids);
      var eye = el("button", {type: "button", "class": "gq-eye", "aria-label": "show " + name, title: "Show or hide these points"}, [
        G.svg("svg", {viewBox: "-10 -8 20 16", width: 20, height: 16, "aria-hidden": "true"}, [G.svg("path", {d: "M-9 0Q0 -9 9 0Q0 9 -9 0z"}), G.svg("circle", {r: 2.6}), G.svg("path", {"class": "gq-struck", d: "M-8 7L8 -7"})])]);
      var box = el("div", Object.assign({"class": "gq-pick"}, data), [b, eye]), only = function () { return hidden.size === all.length - 1 && !hidden.has(name); };
      b.addEventListener("click", function () {
        var alone = only();
        hidden.clear();
        if (!alone) { all.forEach(function (other) { if (other !== name) { hidden.add(other); } }); }
        act.changed();
      });
      eye.addEventListener("click", function () { hidden[hidden.has(name) ? "delete" : "add"](name); act.changed(); });
      toggles.push(function () {
        b.setAttribute("aria-pressed", String(only())); eye.setAttribute("aria-pressed", String(!hidden.has(name)));
        box.classList.toggle("gq-off", hidden.has(name));
      });
      return box;
    };
    var statuses = context.symbols.map(function (s) { return s.status; }), answers = context.delivery.map(function (d) { return d.deliver; });

    /* The square */
    var here = {};
    var cell = function (s) {
      here[s.status] = el("span", {"class": "gq-here"});
      return toggle(chosen.hidden, statuses, s.status, {"class": "gq-cell gq-" + s.status}, {"data-status": s.status}, [
        el("span", {"class": "gq-top"}, [symbolOf(s, false, 7, 26, 26), el("span", {"class": "gq-count", text: figure(s.count)})]),
        el("strong", {text: s.status}), here[s.status], el("span", {"class": "gq-mean", text: s.meaning})
      ]);
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
      if (!k) { square.append(el("div", {"class": "gq-beside"}, context.symbols.filter(function (s) { return s.tolerance === null; }).map(cell))); }
    });
    var judged = el("section", {"aria-label": "Status of the points"}, [
      el("h2", {text: "Do repeated fixes agree?"}),
      el("p", {"class": "gq-hint", text: "Rows: the job's tolerance. Columns: " + (context.expectationKnown ?
        "what the stated precision lets expect here." : "not judged, for no precision is known; all that is beyond counts as unusual, all that is within as usual.")}), square
    ]);

    /* Delivery */
    var sample = context.symbols[0];
    var delivery = el("section", {"class": "gq-delivery", "aria-label": "Delivery"}, [el("h2", {text: "May it be delivered?"})].concat(context.delivery.map(function (d) {
      here[d.deliver] = el("span", {"class": "gq-here"});
      return toggle(chosen.undelivered, answers, d.deliver, {"class": "gq-deliver"}, {"data-deliver": d.deliver}, [symbolOf(sample, d.marked, 6, 26, 26),
        el("span", {"class": "gq-what", text: d.label + (d.marked ? ": a bar under the symbol" : ": no bar")}), here[d.deliver], el("span", {"class": "gq-count", text: figure(d.count)})]);
    })));

    var finder = site ? G.finder(site, layer.drawings, chosen, Object.assign({painted: function () { paint(); }}, act), function (s, r) { return symbolOf(s, false, r, 20, 20); }) : null;

    /* Layers */
    var layers = el("section", {"class": "gq-layers", "aria-label": "Layers"}, [el("h2", {text: "Drawn"})]);
    var lineOf = function (d, s) {
      if (d.kind === "vectors") { return swatch(function (g, t) { g.translate(-12, 0); G.symbols.arrow(g, 24, 0, false, t.dark ? s.dark : s.colour, t.paper, s.rank ? 2.2 : s.shape === "dash" ? 0.9 : 1.2, s.shape === "dash"); }, 30, 18); }
      return symbolOf(s, false, {lozenge: 3.6, frame: 3.4, halo: 3.4}[s.shape] || 5.5, 30, 18);
    };
    var rows = layer.drawings.slice().sort(function (a, b) { return b.points - a.points || G.KINDS.indexOf(b.kind) - G.KINDS.indexOf(a.kind) || a.number - b.number; });
    rows.forEach(function (d) {
      if (!d.n) { return; }
      var pic = d.kind !== "tiles" && !d.listed && d.styles.length === 1 ? lineOf(d, d.styles[0]) : null;
      var box = el("div", {"class": d.kind === "picture" ? "gq-layer gq-swatches" : "gq-layer"});
      layers.append(box);
      box.append(check(d.on, function (on) { d.on = on; act.switched(d); }, [pic, el("span", {}, [G.own(d.title)])]));
      if (d.about && !d.points) { box.append(el("p", {"class": "gq-about"}, [G.own(d.about)])); }
      if (d.listed) {
        d.styles.slice(0, STYLES).forEach(function (s) { box.append(el("p", {"class": "gq-style"}, [lineOf(d, s), G.own(s.label + (s.about ? ": " + s.about : ""))])); });
        if (d.styles.length > STYLES) { box.append(el("p", {"class": "gq-about", text: "and " + figure(d.styles.length - STYLES) + " more"})); }
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
      value.textContent = "× " + figure(x);
      slider.setAttribute("aria-valuetext", "times " + x);
      said.textContent = G.geometry.saidAs(x, context.unit) + ". An arrow too long for the sheet is cut, with a break in its shaft.";
    };
    slider.addEventListener("input", function () { setStep(+slider.value); act.remember(); });
    var again = G.button("Choose for this view", function () { setStep(act.chosenStep()); act.remember(); });
    var larger = el("section", {"aria-label": "Exaggeration"}, [
      el("h2", {}, [el("label", {"for": "geoqa-exaggeration", text: "Ellipses and arrows enlarged"}), value]), slider, said, again]);
    if (!layer.drawings.some(function (d) { return d.exaggerated && d.n; })) { larger.hidden = true; }

    /* What was asked, what to mind */
    var asked = el("section", {"class": "gq-asked", "aria-label": "Tolerance and requirement"}, [el("h2", {text: "Asked of this job"}), el("dl", {}, [
      el("dt", {text: "tolerance"}), el("dd", {}, [G.own(context.tolerance)]),
      el("dt", {text: "requirement"}), el("dd", {}, [G.own(context.requirement)]),
      el("dt", {text: "system"}), el("dd", {}, [G.own(context.crs)]),
      el("dt", {text: "unit"}), el("dd", {text: context.unitName}),
      el("dt", {text: "times"}), el("dd", {}, [G.own(context.zone)])
    ])]);
    var mind = el("section", {"class": "gq-mind", "aria-label": "Cautions"}, [el("h2", {text: "Mind"}), el("ul", {}, context.cautions.map(function (c) { return el("li", {}, [G.own(c)]); }))]);

    var notes = el("section", {"class": "gq-notes", "aria-label": "Notes"}, [el("h2", {text: "Of this review"}), el("ul", {}, context.notes.map(function (n) { return el("li", {}, [G.own(n)]); }))]);
    notes.hidden = !context.notes.length;

    /* Tables of the whole site */
    var tables = context.tables.map(function (t) {
      return el("details", {"class": "gq-worst gq-classes"}, [el("summary", {text: t.title}), G.table(t, function (k) {
        var at = t.opens[k];
        return at && act.has(at[0], at[1]) ? function () { act.named(at[0], at[1]); } : null;
      }), el("p", {"class": "gq-mean", text: t.about})]);
    });

    host.append.apply(host, [judged, delivery].concat(finder ? [finder.worst, finder.box] : [], tables, [larger, asked, layers, notes, mind]));
    /* Swatches of lists that were made anew are let go. */
    var paint = function () {
      swatches = swatches.filter(function (s) { return s.canvas.isConnected; });
      var t = layer.theme();
      swatches.forEach(function (s) { s.draw(t); });
    };
    paint();
    var total = function (name, many) { host.querySelector('[data-status="' + name + '"] .gq-count, [data-deliver="' + name + '"] .gq-count').textContent = many; };
    /* From the review's count to another one; of the latter nothing may be known. */
    var change = function (from, to) { return to === null ? "?" : to === from ? figure(to) : figure(from) + " → " + figure(to); };
    return {
      host: host, paint: paint, setStep: setStep,
      /* Counts of the whole site beside another way to judge it, as `count` takes them; null for those of the review. */
      totals: function (tally) {
        context.symbols.forEach(function (s, k) { total(s.status, change(s.count, tally ? tally.status[k] : s.count)); });
        context.delivery.forEach(function (d) { total(d.deliver, change(d.count, tally ? tally[d.deliver] : d.count)); });
      },
      refresh: function (shown, total) {
        toggles.forEach(function (t) { t(); });
        if (finder) { finder.refresh(shown, total); }
      },
      /* Counts of what is in view: {status: [], yes, no}. */
      count: function (tally) {
        context.symbols.forEach(function (s, k) { here[s.status].textContent = figure(tally.status[k]) + " in view"; });
        context.delivery.forEach(function (d) { here[d.deliver].textContent = tally[d.deliver] === null ? "" : figure(tally[d.deliver]) + " in view"; });
      }
    };
  };

  /* On a phone the key comes up over the lower part of the window, the map above it; a print says when it was made. */
  (G.more = G.more || []).push(function (page) {
    var sheet = page.keyHost.closest(".gq-sheet"), button = G.button("Key and choices", function () { show(!sheet.classList.contains("gq-keyed")); }, {"class": "gq-plain gq-key-button", "aria-expanded": "false", "aria-controls": page.keyHost.id});
    var show = function (on) {
      if (on) { page.panel.close(); }
      sheet.classList.toggle("gq-keyed", on);
      button.setAttribute("aria-expanded", String(on));
      page.panel.quietly(function () { page.map.invalidateSize({animate: false}); });
      if (on) { page.mapHost.scrollIntoView({block: "start"}); }
    };
    page.mapHost.append(button);
    page.on("opened", function () { show(false); });
    document.addEventListener("keydown", function (e) { if (e.key === "Escape" && sheet.classList.contains("gq-keyed")) { show(false); button.focus(); } });
    var day = document.querySelector(".gq-printed"), dated = function () { if (day) { day.textContent = G.units.today(); } };
    dated(); root.addEventListener("beforeprint", dated);
  });
})(typeof self !== "undefined" ? self : this);
