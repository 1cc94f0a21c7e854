/* The story of a point: what happened and what to do, a plan to scale, a strip of heights, a line of time; drawn from the cells
   of its own tables, each by its role. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  var NS = "http://www.w3.org/2000/svg", PLAN = 236, STRIP = 108, WIDE = 360, DOT = 4.5;

  G.svg = function (tag, set, kids) {
    var e = document.createElementNS(NS, tag);
    Object.keys(set || {}).forEach(function (name) { if (name === "text") { e.textContent = set.text; } else { e.setAttribute(name, set[name]); } });
    (kids || []).forEach(function (kid) { if (kid) { e.append(kid); } });
    return e;
  };
  var svg = G.svg, known = function (v) { return typeof v === "number" && isFinite(v); };
  var picture = function (w, h, label, kids) { return svg("svg", {viewBox: "0 0 " + w + " " + h, width: w, height: h, role: "img", "aria-label": label}, kids); };
  var write = function (x, y, text, more) { return svg("text", Object.assign({x: x, y: y, text: text}, more)); };
  var cap = function (text) { return text.charAt(0).toUpperCase() + text.slice(1); };

  /* The occupations: [{number, visit, start, used, base, crew, east, north, up}]. */
  var fixes = function (r, used) {
    return (r.number || []).map(function (cell, k) {
      var of = function (role) { return r[role] ? r[role][k] : {value: NaN, text: ""}; };
      return {number: cell.text, visit: of("visit").value, start: of("start").value, when: of("start").text, used: of("use").text.indexOf(used) === 0,
        base: of("base").text, crew: of("crew").text, east: of("east").value, north: of("north").value, up: of("up").value};
    });
  };
  /* The fix that tolerances are drawn around: the first that the coordinate rests on, or the first of all. */
  var first = function (all, has) { return all.filter(function (f) { return f.used && has(f); })[0] || all.filter(has)[0]; };

  var plan = function (r, all, unit) {
    var here = all.filter(function (f) { return known(f.east) && known(f.north); }), from = first(here, function () { return true; });
    if (!from) { return null; }
    var limit = r.limit_h_m ? r.limit_h_m.value : NaN, a = r.semi_major_m ? r.semi_major_m.value : NaN, b = r.semi_minor_m ? r.semi_minor_m.value : NaN;
    var reach = [[from.east - (limit || 0), from.north - (limit || 0)], [from.east + (limit || 0), from.north + (limit || 0)]].concat(here.map(function (f) { return [f.east, f.north]; }));
    if (known(a)) { reach.push([-a, -a], [a, a]); }
    var low = [0, 1].map(function (k) { return Math.min.apply(null, reach.map(function (p) { return p[k]; })); });
    var high = [0, 1].map(function (k) { return Math.max.apply(null, reach.map(function (p) { return p[k]; })); });
    var scale = (PLAN - 48) / Math.max(high[0] - low[0], high[1] - low[1], 1e-4), mid = [0, 1].map(function (k) { return (low[k] + high[k]) / 2; });
    var X = function (e) { return PLAN / 2 + (e - mid[0]) * scale; }, Y = function (n) { return PLAN / 2 - 8 - (n - mid[1]) * scale; };
    var kids = [], bar = G.geometry.round(90 / scale), turn = r.azimuth_deg && known(r.azimuth_deg.value) ? r.azimuth_deg.value : 0;
    if (known(limit)) { kids.push(svg("circle", {"class": "gq-limit", cx: X(from.east), cy: Y(from.north), r: limit * scale})); }
    if (known(a)) { kids.push(svg("ellipse", {"class": "gq-sure", cx: X(0), cy: Y(0), rx: Math.max(a * scale, 1), ry: Math.max(b * scale, 1), transform: "rotate(" + (turn - 90) + " " + X(0) + " " + Y(0) + ")"})); }
    /* Those that stand together are named together. */
    var groups = [];
    here.forEach(function (f) {
      var x = X(f.east), y = Y(f.north), g = groups.filter(function (q) { return Math.hypot(q.x - x, q.y - y) < 20; })[0];
      if (g) { g.names.push(f.number); } else { groups.push({x: x, y: y, names: [f.number]}); }
      kids.push(svg("circle", {"class": f.used ? "gq-fix" : "gq-fix gq-out", cx: x, cy: y, r: DOT}));
    });
    groups.forEach(function (g) { var left = g.x > PLAN - 12 - 7 * g.names.join(", ").length; kids.push(write(g.x + (left ? -8 : 8), g.y - 5, g.names.join(", "), {"class": "gq-named", "text-anchor": left ? "end" : "start"})); });
    kids.push(svg("path", {"class": "gq-bar", d: "M10 " + (PLAN - 10) + "v4h" + bar * scale + "v-4"}), write(14 + bar * scale, PLAN - 5, G.units.short(bar, unit)));
    return picture(PLAN, PLAN, "Plan of the fixes to scale, grid north up: " + here.map(function (f) {
      return f.number + " at " + G.units.number(f.east, 3, true) + " east, " + G.units.number(f.north, 3, true) + " north";
    }).join("; "), kids);
  };
  var strip = function (r, all, unit) {
    var here = all.filter(function (f) { return known(f.up); }), from = first(here, function () { return true; });
    if (!from) { return null; }
    var limit = r.limit_v_m ? r.limit_v_m.value : NaN, bound = r.up95_m ? r.up95_m.value : NaN, ends = here.map(function (f) { return f.up; });
    if (known(limit)) { ends.push(from.up - limit, from.up + limit); }
    if (known(bound)) { ends.push(-bound, bound); }
    var low = Math.min.apply(null, ends), high = Math.max.apply(null, ends), scale = (PLAN - 62) / Math.max(high - low, 1e-4);
    var Y = function (u) { return 30 + (high - u) * scale; }, kids = [write(4, 13, "height, " + unit)], x = 24;
    if (known(limit)) { kids.push(svg("rect", {"class": "gq-limit", x: x - 16, width: 32, y: Y(from.up + limit), height: 2 * limit * scale})); }
    if (known(bound)) { kids.push(svg("path", {"class": "gq-sure", d: "M" + (x + 11) + " " + Y(bound) + "h6m-3 0V" + Y(-bound) + "m-3 0h6"})); }
    /* Names move apart where heights do not. */
    var at = -Infinity;
    here.slice().sort(function (p, q) { return q.up - p.up; }).forEach(function (f) {
      var y = Y(f.up), named = Math.max(y, at + 13);
      at = named;
      kids.push(svg("path", {"class": f.used ? "gq-level" : "gq-level gq-out", d: "M" + (x - 12) + " " + y + "h24"}), svg("path", {"class": "gq-lead", d: "M" + (x + 18) + " " + y + "L" + (x + 27) + " " + named}));
      kids.push(write(x + 30, named + 4, f.number + ": " + G.units.number(f.up, 3, true)));
    });
    return picture(STRIP, Math.max(PLAN, at + 10), "Heights of the fixes, " + unit + ": " + here.map(function (f) { return f.number + " at " + G.units.number(f.up, 3, true); }).join("; "), kids);
  };

  /* The line of time: a column of words for each visit, a leader to its moment, an arc where the satellites stood alike. */
  var MOST = 4;
  var times = function (r, all, zone) {
    var here = all.filter(function (f) { return known(f.start); }), visits = [];
    if (!here.length) { return null; }
    here.forEach(function (f) {
      var v = visits.filter(function (q) { return q.visit === f.visit && q.base === f.base && f.start - q.start < 43200; })[0];
      if (v) { v.numbers.push(f.number); } else { visits.push(Object.assign({numbers: [f.number]}, f)); }
    });
    var until = r.avoid_to_utc && known(r.avoid_to_utc.value) ? r.avoid_to_utc.value : NaN, since = r.avoid_from_utc && known(r.avoid_from_utc.value) ? r.avoid_from_utc.value : NaN;
    var t0 = here[0].start, t1 = Math.max(here[here.length - 1].start, known(until) ? until : t0, t0 + 60), X = function (t) { return 14 + (WIDE - 28) * (t - t0) / (t1 - t0); };
    var y = 34, kids = [svg("path", {"class": "gq-axis", d: "M6 " + y + "H" + (WIDE - 6)})], by = {};
    here.forEach(function (f) { by[f.number] = f; });
    if (known(until) && known(since)) {
      kids.push(svg("rect", {"class": "gq-sky", x: X(since), y: y - 5, width: Math.max(X(until) - X(since), 3), height: 10}), write(Math.min(X(since), WIDE - 4), y - 9, "same sky, not then", {"text-anchor": X(since) > WIDE / 2 ? "end" : "start"}));
    }
    (r.pair || []).forEach(function (pair, k) {
      var ends = pair.text.split(" → ").map(function (n) { return by[n]; });
      if (!r.sky || !r.sky[k].text || !ends[0] || !ends[1]) { return; }
      var a = X(ends[0].start), b = X(ends[1].start);
      kids.push(svg("path", {"class": "gq-arc", d: "M" + a + " " + (y - 8) + "Q" + (a + b) / 2 + " " + (y - 34) + " " + b + " " + (y - 8)}), write((a + b) / 2, y - 23, "same sky", {"text-anchor": "middle"}));
    });
    var some = visits.slice(0, MOST), width = WIDE / Math.max(some.length, 2), rows = 0;
    here.forEach(function (f) { kids.push(svg("circle", {"class": f.used ? "gq-moment" : "gq-moment gq-out", cx: X(f.start), cy: y, r: 4.5})); });
    some.forEach(function (v, k) {
      var x = k * width + 2, name = v.numbers.join(", ") + ": ", lines = (width < 150 ? [name + v.when.slice(0, 10), v.when.slice(11)] : [name + v.when]).concat(v.base && "base " + v.base, v.crew && "crew " + v.crew).filter(Boolean);
      rows = Math.max(rows, lines.length);
      kids.push(svg("path", {"class": "gq-lead", d: "M" + X(v.start) + " " + (y + 5) + "L" + (x + 8) + " " + (y + 21)}));
      /* As many letters as the column holds. */
      lines.forEach(function (text, q) { kids.push(write(x, y + 34 + 14 * q, G.geometry.short(text, Math.floor(width / 5.9)))); });
    });
    if (visits.length > MOST) { kids.push(write(WIDE - 2, 13, "and " + (visits.length - MOST) + " more visits", {"text-anchor": "end"})); }
    return picture(WIDE, y + 26 + 14 * rows, "Times in " + zone + ": " + visits.map(function (v) { return v.numbers.join(", ") + " " + v.when + (v.base ? ", base " + v.base : "") + (v.crew ? ", crew " + v.crew : ""); }).join("; "), kids);
  };

  /* What happened, how far that is beside what is accepted, whether it may be delivered, what to do. */
  var words = function (r, page) {
    var text = function (role) { return r[role] ? r[role].text : ""; }, out = [], sizes = [];
    [["worst_horizontal_m", "limit_h_m", " horizontally"], ["worst_vertical_m", "limit_v_m", " in height"]].forEach(function (axis) {
      if (text(axis[0]) && text(axis[1])) { sizes.push(text(axis[0]) + axis[2] + " where " + text(axis[1]) + " is accepted"); }
    });
    if (text("reason")) { out.push(G.el("p", {"class": "gq-lead-in"}, [G.own(cap(text("reason")) + "."), sizes.length ? G.el("span", {text: " The largest difference is " + sizes.join(", and ") + "."}) : null])); }
    var yes = page.context.delivery.filter(function (d) { return d.deliver === text("deliver"); })[0];
    if (yes) { out.push(G.el("p", {}, [G.el("strong", {text: cap(yes.label)}), G.own(text("deliver_reason") ? ": " + text("deliver_reason") + "." : ".")])); }
    if (text("instruction")) {
      var when = [text("earliest_utc") && "not before " + text("earliest_utc"), text("observe_s") && "for " + text("observe_s")].filter(Boolean).join(", ");
      out.push(G.el("p", {}, [G.el("strong", {text: "To do: "}), G.own(text("instruction") + (when ? " " + cap(when) + "." : ""))]));
    }
    (r.shift || []).forEach(function (name, k) {
      out.push(G.el("p", {"class": "gq-suspect"}, [G.el("strong", {text: "Suspected shift: "}), G.own(name.text + ", " + r.looks_like[k].text + ". " + r.remedy[k].text + "."), " ",
        page.has("Shifts", name.text) ? G.button("Show it", function () { page.named("Shifts", name.text); }) : null]));
    });
    return out;
  };

  (G.more = G.more || []).push(function (page) {
    page.parts.unshift(function (i, d) {
      if (!d.points) { return null; }
      var r = page.tell(d).roles(i), all = fixes(r, page.context.used), drawn = [plan(r, all, page.context.unit), strip(r, all, page.context.unitUp)].filter(Boolean);
      var line = times(r, all, page.context.zone), about = [];
      if (all.length && (r.limit_h_m && known(r.limit_h_m.value) || r.limit_v_m && known(r.limit_v_m.value))) { about.push("shaded: within tolerance of fix " + first(all, function () { return true; }).number); }
      if (r.semi_major_m && known(r.semi_major_m.value)) { about.push("ellipse and bar: the 95 % of the position and the height"); }
      if (all.some(function (f) { return !f.used; })) { about.push("hollow: not in the coordinate"); }
      return G.el("div", {"class": "gq-story"}, words(r, page).concat(
        drawn.length ? G.el("div", {"class": "gq-drawn"}, drawn) : null, about.length ? G.el("p", {"class": "gq-mean", text: cap(about.join("; ")) + ". Grid north is up."}) : null,
        line ? G.el("div", {}, [line, G.el("p", {"class": "gq-mean", text: "Times: " + page.context.zone + "."})]) : null));
    });
  });
})(typeof self !== "undefined" ? self : this);
