/* All jobs: a map on a canvas, a table of which one page stands in the document, charts with the limits that the file states. */
(function (root) {
  "use strict";
  var G = root.Geoqa, U = G.units, el = G.el, $ = function (id) { return document.getElementById(id); };
  var data = JSON.parse($("jobs").textContent), C = data.columns, N = data.look.length, PAGE = 50;
  var text = function (name, i) { var c = C[name]; return c.words[c.at[i]]; };
  var all = Array.from({length: N}, function (_, i) { return i; });
  var called = function (i) { return text("name", i) || text("folder", i); };
  var where = function (i) { return (text("folder", i) === "." ? "" : text("folder", i) + "/") + text("recipe", i); };
  var count = function (v) { return v === null ? U.NONE : U.count(v); };
  var part = function (a, b) { return a === null || !b ? U.NONE : count(a) + " (" + U.share(a / b) + ")"; };
  var expected = function (v) { return v === null ? U.NONE : v < 0.05 ? "< 0.1" : v < 9.95 ? v.toFixed(1) : U.count(Math.round(v)); };
  var option = function (value, words) { return el("option", {value: value, text: words}); };
  var field = function (label, control) { control.id = "f-" + label.replace(/\W+/g, "-"); return el("div", {"class": "field"}, [el("label", {"for": control.id, text: label}), control]); };
  var chosen = function (label, options, act) {
    var s = el("select", {}, options);
    s.addEventListener("change", act);
    return {box: field(label, s), select: s};
  };

  /* What is shown: of all jobs those that search, choice and key leave, in the order of the table. */
  var state = {shown: all, hidden: {}, page: 0, by: "again", down: true, job: null};

  /* ---- map: Mercator on the sphere, x and y in radians, y to the north; what lies beyond 85 degrees stands on the edge ---- */
  var canvas = $("map"), g = canvas.getContext("2d"), view = {x: 0, y: 0, k: 1}, size = {w: 0, h: 0, ratio: 1}, RAD = Math.PI / 180;
  var north = function (lat) { return Math.asinh(Math.tan(Math.max(-85, Math.min(85, lat)) * RAD)); };
  var latitude = function (y) { return Math.atan(Math.sinh(y)) / RAD; };
  var placed = all.filter(function (i) { return C.lon[i] !== null && C.lat[i] !== null; }), X = new Float64Array(N), Y = new Float64Array(N), R = new Float64Array(N);
  /* The sheet is cut where the jobs leave the widest gap, so that none is torn apart at 180 degrees. */
  var west = (function () {
    var lons = placed.map(function (i) { return C.lon[i]; }).sort(function (a, b) { return a - b; }), from = lons[0] || 0, gap = lons.length ? lons[0] + 360 - lons[lons.length - 1] : 0;
    lons.forEach(function (lon, k) { if (k && lon - lons[k - 1] > gap) { gap = lon - lons[k - 1]; from = lon; } });
    return from;
  })();
  placed.forEach(function (i) { X[i] = (C.lon[i] < west ? C.lon[i] + 360 : C.lon[i]) * RAD; Y[i] = north(C.lat[i]); });
  all.forEach(function (i) { R[i] = Math.max(3.2, Math.min(12, 2.4 + 0.33 * Math.sqrt(C.points[i] || 0))); });
  /* Of very many jobs the marks are smaller, and grow as the map comes nearer. */
  var near = 1, shrink = function () { return Math.min(1, Math.max(0.32, Math.sqrt(size.w * size.h / Math.max(1, placed.length) / 900)) * Math.sqrt(view.k / near)); };
  /* The worst on top; of equals the small ones. */
  var order = placed.slice().sort(function (a, b) { return data.look[a] - data.look[b] || R[b] - R[a]; });
  var printing = false;
  var colours = function () {
    var s = getComputedStyle(document.documentElement), read = function (n) { return s.getPropertyValue(n).trim(); };
    var c = {dark: !printing && read("--dark") === "1"};
    ["paper", "ink", "soft", "line", "focus"].forEach(function (n) { c[n] = read("--" + n); });
    if (printing) { c.paper = "#ffffff"; c.ink = "#000000"; c.soft = "#333333"; c.line = "#999999"; }
    c.strong = data.colours[c.dark ? 1 : 0];
    return c;
  };
  var blend = function (a, b, t) {
    var hex = function (s) { s = s.length === 4 ? s.replace(/[^#]/g, "$&$&") : s; return [1, 3, 5].map(function (k) { return parseInt(s.slice(k, k + 2), 16); }); };
    var p = hex(a), q = hex(b);
    return "rgb(" + p.map(function (v, k) { return Math.round(v + (q[k] - v) * t); }).join(",") + ")";
  };
  /* One picture a look and size, drawn once. */
  var stamps = {}, palette = null;
  var stamp = function (look, r) {
    var step = Math.max(2, Math.round(r * 2)), key = 100 * look + step, side, c, h, one;
    if (!stamps[key]) {
      r = step / 2; side = 2 * Math.ceil(r * 1.4 + 4); c = document.createElement("canvas"); one = data.looks[look];
      c.width = c.height = side * size.ratio; h = c.getContext("2d");
      h.setTransform(size.ratio, 0, 0, size.ratio, side / 2 * size.ratio, side / 2 * size.ratio);
      G.symbols.symbol(h, one[0], r, blend(palette.paper, palette.strong, one[1]), palette.strong, palette.paper);
      stamps[key] = {image: c, side: side};
    }
    return stamps[key];
  };
  var sx = function (x) { return (x - view.x) * view.k + size.w / 2; }, sy = function (y) { return size.h / 2 - (y - view.y) * view.k; };
  var visible = new Uint8Array(N);
  var degrees = function (value, signs, step) {
    var v = signs[2] ? ((value + 540) % 360) - 180 : value, d = Math.max(0, Math.ceil(-Math.log10(step) - 1e-9));
    return Math.abs(v).toFixed(d) + "°" + (Math.abs(v) < step / 2 || Math.abs(v) === 180 ? "" : " " + signs[v < 0 ? 0 : 1]);
  };
  var STEPS = [60, 30, 20, 10, 5, 2, 1, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001];
  var graticule = function (c) {
    var step = STEPS.filter(function (s) { return s * RAD * view.k >= 75; }).pop() || 60, x, y;
    g.strokeStyle = c.line; g.lineWidth = 1; g.fillStyle = c.soft; g.font = "12px system-ui, sans-serif"; g.beginPath();
    var w = (view.x - size.w / 2 / view.k) / RAD, e = (view.x + size.w / 2 / view.k) / RAD, s = latitude(view.y - size.h / 2 / view.k), n = latitude(view.y + size.h / 2 / view.k), labels = [];
    for (var a = Math.ceil(w / step); a * step < e; a++) { x = Math.round(sx(a * step * RAD)) + 0.5; g.moveTo(x, 0); g.lineTo(x, size.h); labels.push([degrees(a * step, ["W", "E", 1], step), x + 3, 13]); }
    for (var b = Math.ceil(s / step); b * step < n; b++) { y = Math.round(sy(north(b * step))) + 0.5; g.moveTo(0, y); g.lineTo(size.w, y); if (y > 30) { labels.push([degrees(b * step, ["S", "N"], step), 4, y - 4]); } }
    g.stroke();
    return labels;
  };
  var scale = function (c) {
    var metres = 6371008.8 * Math.cos(latitude(view.y) * RAD) / view.k * 150, power = Math.pow(10, Math.floor(Math.log10(metres)));
    var bar = [5, 2, 1].map(function (s) { return s * power; }).find(function (s) { return s <= metres; }), px = bar / metres * 150, y = size.h - 14;
    g.fillStyle = c.paper; g.globalAlpha = 0.8; g.fillRect(8, y - 18, px + 16, 26); g.globalAlpha = 1;
    g.strokeStyle = c.ink; g.lineWidth = 1.6; g.beginPath(); g.moveTo(14, y - 5); g.lineTo(14, y); g.lineTo(14 + px, y); g.lineTo(14 + px, y - 5); g.stroke();
    g.fillStyle = c.ink; g.textAlign = "center"; g.fillText(bar >= 1000 ? U.count(bar / 1000) + " km" : bar + " m", 14 + px / 2, y - 6); g.textAlign = "left";
  };
  var draw = function () {
    var began = performance.now(), c = palette, f = shrink(), drawn = 0, t, x, y, k, i;
    g.setTransform(size.ratio, 0, 0, size.ratio, 0, 0); g.fillStyle = c.paper; g.fillRect(0, 0, size.w, size.h);
    var labels = placed.length ? graticule(c) : [];
    g.fillStyle = c.line;
    for (k = 0; k < order.length; k++) { i = order[k]; if (!visible[i]) { g.fillRect(sx(X[i]) - 1, sy(Y[i]) - 1, 2, 2); } }
    g.setTransform(1, 0, 0, 1, 0, 0);
    for (k = 0; k < order.length; k++) {
      i = order[k]; x = sx(X[i]); y = sy(Y[i]);
      if (visible[i] && x > -20 && y > -20 && x < size.w + 20 && y < size.h + 20) {
        /* On whole pixels of the screen a picture is copied, which is several times as fast as drawing it between them. */
        t = stamp(data.look[i], R[i] * f); g.drawImage(t.image, Math.round((x - t.side / 2) * size.ratio), Math.round((y - t.side / 2) * size.ratio)); drawn++;
      }
    }
    g.setTransform(size.ratio, 0, 0, size.ratio, 0, 0);
    if (state.job !== null && C.lon[state.job] !== null) { g.strokeStyle = c.focus; g.lineWidth = 3; g.beginPath(); g.arc(sx(X[state.job]), sy(Y[state.job]), R[state.job] * f * 1.5 + 5, 0, 7); g.stroke(); }
    g.fillStyle = c.soft; labels.forEach(function (l) { g.lineWidth = 3; g.strokeStyle = c.paper; g.strokeText(l[0], l[1], l[2]); g.fillText(l[0], l[1], l[2]); });
    if (placed.length) { scale(c); } else { g.font = "14px system-ui, sans-serif"; g.fillText("No job has a place on the map.", 16, 30); }
    G.overview.drawn = drawn; G.overview.took = performance.now() - began;
  };
  var asked = false, later = function () { if (!asked) { asked = true; requestAnimationFrame(function () { asked = false; draw(); }); } };
  var fresh = function () { palette = colours(); stamps = {}; };
  var home = function () {
    var box = [Infinity, Infinity, -Infinity, -Infinity];
    placed.forEach(function (i) { box = [Math.min(box[0], X[i]), Math.min(box[1], Y[i]), Math.max(box[2], X[i]), Math.max(box[3], Y[i])]; });
    if (!placed.length) { return; }
    view.x = (box[0] + box[2]) / 2; view.y = (box[1] + box[3]) / 2;
    view.k = limit(Math.min((size.w - 60) / Math.max(box[2] - box[0], 1e-4), (size.h - 80) / Math.max(box[3] - box[1], 1e-4)));
    near = view.k;
  };
  var limit = function (k) { return Math.max(size.w / 7, Math.min(4e7, k)); };
  var zoom = function (by, px, py) {
    var k = limit(view.k * by), dx = px === undefined ? 0 : px - size.w / 2, dy = py === undefined ? 0 : size.h / 2 - py;
    view.x += dx / view.k - dx / k; view.y += dy / view.k - dy / k; view.k = k; later();
  };
  var pan = function (dx, dy) { view.x -= dx / view.k; view.y = Math.max(-3.2, Math.min(3.2, view.y + dy / view.k)); later(); };
  var measure = function () {
    var b = canvas.parentNode.getBoundingClientRect(), first = !size.w;
    if (printing || !b.width) { return; }
    size = {w: canvas.parentNode.clientWidth, h: canvas.parentNode.clientHeight, ratio: Math.min(2, root.devicePixelRatio || 1)};
    canvas.width = size.w * size.ratio; canvas.height = size.h * size.ratio;
    fresh(); if (first) { home(); } draw();
  };
  var nearest = function (px, py) {
    var best = null, far = 14, f = shrink();
    order.forEach(function (i) { if (visible[i]) { var d = Math.hypot(sx(X[i]) - px, sy(Y[i]) - py) - R[i] * f * 0.5; if (d <= far) { far = d; best = i; } } });
    return best;
  };
  var at = function (e) { var b = canvas.getBoundingClientRect(); return [e.clientX - b.left, e.clientY - b.top]; };
  var fingers = new Map(), moved = 0;
  canvas.addEventListener("pointerdown", function (e) { fingers.set(e.pointerId, at(e)); moved = 0; canvas.setPointerCapture(e.pointerId); });
  canvas.addEventListener("pointermove", function (e) {
    if (!fingers.has(e.pointerId)) { return; }
    var was = fingers.get(e.pointerId), now = at(e), other = null, before, after;
    fingers.forEach(function (p, id) { if (id !== e.pointerId) { other = p; } });
    fingers.set(e.pointerId, now); moved += Math.hypot(now[0] - was[0], now[1] - was[1]);
    if (moved < 4) { return; }
    if (!other) { pan(now[0] - was[0], now[1] - was[1]); return; }
    before = Math.hypot(was[0] - other[0], was[1] - other[1]); after = Math.hypot(now[0] - other[0], now[1] - other[1]);
    zoom(after / Math.max(before, 1), (now[0] + other[0]) / 2, (now[1] + other[1]) / 2); pan((now[0] - was[0]) / 2, (now[1] - was[1]) / 2);
  });
  canvas.addEventListener("pointerup", function (e) { var p = at(e); fingers.delete(e.pointerId); if (moved < 4) { var i = nearest(p[0], p[1]); if (i !== null) { select(i); } } });
  canvas.addEventListener("pointercancel", function (e) { fingers.delete(e.pointerId); });
  /* The wheel scrolls the page until the map was clicked, or with Ctrl. */
  canvas.addEventListener("wheel", function (e) { if (document.activeElement === canvas || e.ctrlKey) { e.preventDefault(); var p = at(e); zoom(Math.exp(-Math.max(-200, Math.min(200, e.deltaY)) / 400), p[0], p[1]); } }, {passive: false});
  canvas.addEventListener("keydown", function (e) {
    var act = {ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60]}[e.key];
    if (act) { pan(act[0], act[1]); } else if (e.key === "+" || e.key === "=") { zoom(1.5); } else if (e.key === "-") { zoom(1 / 1.5); } else if (e.key === "Home") { home(); later(); } else { return; }
    e.preventDefault();
  });
  $("view").append(
    G.button("+", function () { zoom(1.5); }, {"aria-label": "Zoom in"}), G.button("−", function () { zoom(1 / 1.5); }, {"aria-label": "Zoom out"}),
    G.button("All jobs", function () { home(); later(); })
  );

  /* ---- key, and what is told of the chosen job ---- */
  var looks = el("ul", {"class": "looks"}), swatches = [];
  data.looks.forEach(function (one, k) {
    var n = data.look.filter(function (l) { return l === k; }).length, c = el("canvas", {width: 52, height: 52, "aria-hidden": "true"});
    if (!n && k === data.looks.length - 1) { return; }
    var b = G.button("", function () { state.hidden[k] = !state.hidden[k]; b.setAttribute("aria-pressed", String(!state.hidden[k])); refresh(); }, {"aria-pressed": "true"});
    b.append(c, el("span", {text: one[2]}), el("b", {text: U.count(n)}));
    swatches.push([c, k]); looks.append(el("li", {}, [b]));
  });
  var swatch = function () { swatches.forEach(function (s) { var h = s[0].getContext("2d"), t = data.looks[s[1]]; h.setTransform(2, 0, 0, 2, 26, 26); h.clearRect(-13, -13, 26, 26); G.symbols.symbol(h, t[0], 7, blend(palette.paper, palette.strong, t[1]), palette.strong, palette.paper); }); };
  var lost = N - placed.length, detail = el("div", {"class": "job", "aria-live": "polite"}, [el("p", {"class": "soft hint", text: "Choose a job on the map or in the table."})]);
  $("key").append.apply($("key"), [looks, el("p", {"class": "soft", text: "Size: number of points." + (placed.length ? " Steps of the key: common practice, no published source." : "")}),
    el("p", {"class": "soft hint", text: "Drag to move. The wheel zooms once the map is clicked; arrow keys, + and − as well."}),
    lost ? el("p", {}, [el("span", {text: U.counted(lost, "job") + " without a place on the map (local system, or failed). "}), G.button("list " + (lost === 1 ? "it" : "them"), function () { only.select.value = "placeless"; state.page = 0; refresh(); $("find").scrollIntoView(); })]) : null, detail].filter(Boolean));
  var links = function (i) {
    var found = [];
    [["map.html", "Map", 1], ["report.html", "Report", 2]].forEach(function (f) { if (data.has[i] & f[2]) { found.push(el("a", {href: (data.links[i] || ".") + "/" + f[0], "aria-label": f[1] + " of " + called(i), text: f[1]})); } });
    return found;
  };
  var select = function (i) {
    state.job = i;
    var lines = [["recipe", where(i)], ["work", C.first_utc[i] ? C.first_utc[i] + (C.last_utc[i] !== C.first_utc[i] ? " to " + C.last_utc[i] : "") : ""], ["group", text("group", i)], ["system", text("system", i)], ["points", C.points[i] === null ? "" : U.count(C.points[i])]];
    data.statuses.forEach(function (s) { var v = C["status_" + s.replace(/-/g, "_")][i]; if (v) { lines.push([s, U.count(v)]); } });
    lines.push(["may be delivered", C.points[i] === null ? "" : part(C.delivered[i], C.points[i])], ["to observe again", C.points[i] === null ? "" : part(C.again[i], C.points[i])], ["expected outside", C.expected_outside[i] === null ? "" : expected(C.expected_outside[i])],
      ["suspicious shifts", text("shifts", i)], ["control", text("control", i)], ["time to a fix", C.fix_s[i] === null ? "" : U.duration(C.fix_s[i])], ["failed", text("message", i)],
      ["review took", C.seconds[i] === null ? "" : C.seconds[i].toFixed(1) + " s" + (C.peak_mb[i] === null ? "" : ", " + count(C.peak_mb[i]) + " MB")], ["exit code", String(C.exit_code[i])], ["geoqa", text("version", i)]);
    detail.replaceChildren(el("h3", {}, [G.own(called(i))]), el("p", {}, links(i)), el("dl", {}, lines.filter(function (l) { return l[1]; }).map(function (l) { return el("div", {}, [el("dt", {text: l[0]}), el("dd", {}, [G.own(l[1])])]); })));
    later(); rows();
  };

  /* ---- the table ---- */
  var remarks = function (i) { return [text("message", i), text("control", i), text("shifts", i) && "suspicious shifts: " + text("shifts", i)].filter(Boolean).join(". "); };
  var ranks = {}, collate = new Intl.Collator("en", {numeric: true});
  var rank = function (name) {
    if (!ranks[name]) { var w = C[name].words, place = []; w.map(function (_, k) { return k; }).sort(function (a, b) { return collate.compare(w[a], w[b]); }).forEach(function (k, at) { place[k] = w[k] === "" ? null : at; }); ranks[name] = place; }
    return function (i) { return ranks[name][C[name].at[i]]; };
  };
  var value = function (name) { return function (i) { return C[name][i]; }; }, of = function (a) { return function (i) { return C[a][i] === null || !C.points[i] ? null : C[a][i] / C.points[i]; }; };
  var heads = [
    ["job", "Job", rank("name"), ""], ["group", "Group", rank("group"), ""], ["first", "First day", function (i) { return C.first_utc[i] ? Date.parse(C.first_utc[i]) : null; }, "s"], ["points", "Points", value("points"), "n"],
    ["delivered", "May be delivered", of("delivered"), "n"], ["again", "To observe again", of("again"), "n"], ["outside", "Expected outside", value("expected_outside"), "n"], ["fix", "Time to a fix", value("fix_s"), "n"],
    ["remarks", "Remarks", function (i) { return -3 * (text("message", i) !== "") - 2 * (text("control", i) !== "") - (text("shifts", i) !== "") || null; }, "w"], [null, "Results", null, "s"]
  ].filter(function (h) { return (h[0] !== "fix" || C.fix_s.some(function (v) { return v !== null; })) && (h[0] !== "group" || C.group.words.some(Boolean)); });
  var body = el("tbody"), said = el("span", {"class": "count", role: "status"}), pages = el("div", {"class": "tools"}), headRow = el("tr");
  heads.forEach(function (h) {
    var th = el("th", {scope: "col", "class": h[3] === "n" ? "n" : ""});
    if (h[0]) { th.append(G.button(h[1], function () { state.down = state.by === h[0] ? !state.down : h[3] === "n"; state.by = h[0]; state.page = 0; refresh(); })); h.push(th); } else { th.textContent = h[1]; }
    headRow.append(th);
  });
  var cell = function (kind, kids, words) { return el("td", {"class": kind, text: words || ""}, kids); };
  var rows = function () {
    var from = state.page * PAGE, till = Math.min(state.shown.length, from + PAGE);
    body.replaceChildren.apply(body, state.shown.slice(from, till).map(function (i) {
      var cells = {
        job: cell("", [el("button", {type: "button", "class": "open"}, [G.own(called(i))]), el("small", {}, [G.own(where(i))])]), group: cell("", [G.own(text("group", i))]), first: cell("s", [], C.first_utc[i] || U.NONE), points: cell("n", [], count(C.points[i])),
        delivered: cell("n", [], part(C.delivered[i], C.points[i])), again: cell("n", [], part(C.again[i], C.points[i])), outside: cell("n", [], expected(C.expected_outside[i])), fix: cell("n", [], C.fix_s[i] === null ? U.NONE : U.duration(C.fix_s[i])),
        remarks: cell("w", [G.own(remarks(i))]), "null": cell("s", links(i))
      };
      cells.job.firstChild.addEventListener("click", function () { show(i); });
      return el("tr", i === state.job ? {"aria-current": "true"} : {}, heads.map(function (h) { return cells[String(h[0])]; }));
    }));
    said.textContent = state.shown.length ? (from + 1 < till ? from + 1 + "–" : "") + till + " of " + U.counted(state.shown.length, "job") + (state.shown.length < N ? " (" + U.count(N) + " in all)" : "") : "No job fits.";
    back.disabled = !state.page; on.disabled = till >= state.shown.length;
  };
  var show = function (i) {
    if (C.lon[i] !== null && !(sx(X[i]) > 0 && sx(X[i]) < size.w && sy(Y[i]) > 0 && sy(Y[i]) < size.h)) { view.x = X[i]; view.y = Y[i]; }
    var place = state.shown.indexOf(i) % PAGE;
    select(i);
    if (body.children[place]) { body.children[place].querySelector("button").focus({preventScroll: true}); }
  };
  var step = function (by) { return function () { state.page += by; rows(); }; };
  var back = G.button("Previous", step(-1)), on = G.button("Next", step(1));
  var search = el("input", {type: "search", placeholder: "words, or \"words together\""}), timer = 0, haystack = null;
  /* Each word of a search is found where a word begins: 3 finds 30, not 1923. */
  var plain = function (t) { return (" " + t.toLowerCase()).replace(/[^\p{L}\p{M}\p{N}|]+/gu, " "); };
  var words = function () {
    haystack = haystack || all.map(function (i) { return plain(["name", "folder", "recipe", "group", "system", "shifts", "control", "message"].map(function (n) { return text(n, i); }).concat(C.first_utc[i]).join(" | ")); });
    return (search.value.match(/"[^"]*"|[^\s"]+/g) || []).map(plain).filter(function (w) { return w !== " "; });
  };
  search.addEventListener("input", function () { clearTimeout(timer); timer = setTimeout(function () { state.page = 0; refresh(); }, 120); });
  var tests = {all: function () { return true; }, shifts: function (i) { return text("shifts", i) !== ""; }, control: function (i) { return text("control", i) !== ""; }, failed: function (i) { return data.look[i] === data.looks.length - 1; }, placeless: function (i) { return C.lon[i] === null; }};
  var only = chosen("Show", [option("all", "all jobs"), option("shifts", "with a suspicious shift"), option("control", "with a word on control"), option("failed", "failed"), option("placeless", "without a place on the map")], function () { state.page = 0; refresh(); });
  var refresh = function () {
    var began = performance.now(), asks = words(), fits = tests[only.select.value], key = heads.find(function (h) { return h[0] === state.by; })[2], sign = state.down ? -1 : 1, keys = all.map(key);
    state.shown = all.filter(function (i) { return !state.hidden[data.look[i]] && fits(i) && asks.every(function (w) { return haystack[i].indexOf(w) >= 0; }); });
    /* What is not known stands last, whichever way. */
    state.shown.sort(function (a, b) { var p = keys[a], q = keys[b]; return p === null ? (q === null ? a - b : 1) : q === null ? -1 : sign * (p - q) || a - b; });
    visible.fill(0); state.shown.forEach(function (i) { visible[i] = 1; });
    state.page = Math.max(0, Math.min(state.page, Math.ceil(state.shown.length / PAGE) - 1));
    heads.forEach(function (h) { if (h[4]) { h[4].setAttribute("aria-sort", h[0] === state.by ? (state.down ? "descending" : "ascending") : "none"); } });
    rows(); later();
    G.overview.sorted = performance.now() - began;
  };
  $("find").append(el("div", {"class": "tools"}, [field("Search name, folder, group, remark", search), only.box, said]));
  $("jobs-table").append(el("div", {"class": "scroll", tabindex: "0", role: "group", "aria-label": "Table of the jobs"}, [el("table", {}, [el("thead", {}, [headRow]), body])]), pages);
  pages.append(back, on);

  /* ---- charts ---- */
  var D = data.charts, SVG = "http://www.w3.org/2000/svg";
  var svg = function (tag, set, kids) { var e = document.createElementNS(SVG, tag); Object.keys(set || {}).forEach(function (n) { if (n === "text") { e.textContent = set.text; } else { e.setAttribute(n, set[n]); } }); (kids || []).forEach(function (k) { e.append(k); }); return e; };
  var ticks = function (from, top) { var p = Math.pow(10, Math.floor(Math.log10((top - from) / 4))), step = [1, 2, 5, 10].map(function (s) { return s * p; }).find(function (s) { return (top - from) / s <= 5; }), found = []; for (var k = Math.ceil(from / step - 1e-6); k * step <= top * 1.0001; k++) { found.push(k * step); } return found; };
  var told = function (m, v) { return m.share ? U.share(v) : m === D.measures.fix_s ? U.duration(v) : U.number(v, 2); };
  var onAxis = function (m, v) { return m.share ? String(Math.round(v * 1e6) / 1e4) : String(Math.round(v * 1e6) / 1e6); };
  var scaled = function (m, s) { var top = Math.max.apply(null, s.value.concat(s.high || [])); return (top > 0 ? top : m.share ? 0.01 : 1) * 1.08; };
  var path = function (xs, ys, half) { return xs.map(function (x, k) { return half ? (k ? "L" : "M") + (x - half) + " " + ys[k] + "L" + (x + half) + " " + ys[k] : (k ? "L" : "M") + x + " " + ys[k]; }).join(""); };
  var byMonth = function (m, s) {
    var W = 520, H = 250, L = 58, T = 12, B = 46, RIGHT = s.centre === undefined ? 14 : 62, n = s.at.length, top = scaled(m, s), from = m.share ? 0 : Math.max(0, 1.15 * Math.min.apply(null, s.value.concat(s.low || [])) - 0.15 * top), half = (W - L - RIGHT) / n / 2, kids = [];
    var xs = s.at.map(function (_, k) { return Math.round(10 * (L + half + 2 * half * k)) / 10; }), y = function (v) { return Math.round(10 * (H - B - (v - from) / (top - from) * (H - B - T))) / 10; };
    ticks(from, top).forEach(function (t) { kids.push(svg("path", {"class": "axis", d: "M" + L + " " + y(t) + "H" + (W - RIGHT)}), svg("text", {x: L - 6, y: y(t) + 4, "text-anchor": "end", text: onAxis(m, t)})); });
    var every = Math.ceil(n / 7);
    s.at.forEach(function (month, k) { if (k % every === 0) { kids.push(svg("text", {x: xs[k], y: H - B + 17, "text-anchor": "middle", text: month})); } });
    kids.push(svg("text", {x: (L + W - RIGHT) / 2, y: H - 8, "text-anchor": "middle", text: "month"}), svg("text", {x: 13, y: (T + H - B) / 2, transform: "rotate(-90 13 " + (T + H - B) / 2 + ")", "text-anchor": "middle", text: m.axis}));
    if (s.centre !== undefined) {
      kids.push(svg("path", {"class": "centre", d: "M" + L + " " + y(s.centre) + "H" + (W - RIGHT)}), svg("path", {"class": "limit", d: path(xs, s.high.map(y), half)}));
      if (s.low.some(function (v) { return v > from; })) { kids.push(svg("path", {"class": "limit", d: path(xs, s.low.map(y), half)})); }
      var ends = [["upper", y(s.high[n - 1])], ["mean", y(s.centre)]].concat(s.low[n - 1] > from ? [["lower", y(s.low[n - 1])]] : []);
      ends.forEach(function (e, k) { if (k && e[1] < ends[k - 1][1] + 13) { e[1] = ends[k - 1][1] + 13; } kids.push(svg("text", {x: W - RIGHT + 5, y: e[1] + 4, text: e[0]})); });
    }
    kids.push(svg("path", {"class": "line", d: path(xs, s.value.map(y))}));
    s.value.forEach(function (v, k) {
      var out = s.beyond && s.beyond[k], tip = svg("title", {text: s.at[k] + ": " + told(m, v) + ", " + U.counted(s.jobs[k], "job")}), x = xs[k], a = y(v);
      kids.push(out ? svg("path", {"class": "out", d: "M" + x + " " + (a - 7) + "l7 7l-7 7l-7 -7z"}, [tip]) : svg("circle", {"class": "mark", cx: x, cy: a, r: n > 40 ? 2.4 : 3.4}, [tip]));
    });
    return svg("svg", {viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": m.words + (s["class"] ? ", " + s["class"] : "") + ", by month; the numbers stand in the table below"}, kids);
  };
  var byGroup = function (m, s) {
    var n = s.at.length, W = 520, L = 150, T = 8, B = 42, H = T + B + 22 * n, top = scaled(m, s), kids = [], x = function (v) { return Math.round(10 * (L + v / top * (W - L - 24))) / 10; };
    ticks(0, top).forEach(function (t) { kids.push(svg("path", {"class": "axis", d: "M" + x(t) + " " + T + "V" + (H - B)}), svg("text", {x: x(t), y: H - B + 16, "text-anchor": "middle", text: onAxis(m, t)})); });
    s.value.forEach(function (v, k) {
      var a = T + 11 + 22 * k, name = s.at[k];
      kids.push(svg("text", {x: L - 8, y: a + 4, "text-anchor": "end", text: name.length > 20 ? name.slice(0, 19) + "…" : name}), svg("circle", {"class": "mark", cx: x(v), cy: a, r: 4.5}, [svg("title", {text: name + ": " + told(m, v) + ", " + U.counted(s.jobs[k], "job")})]));
    });
    kids.push(svg("text", {x: (L + W - 24) / 2, y: H - 8, "text-anchor": "middle", text: m.axis}));
    return svg("svg", {viewBox: "0 0 " + W + " " + H, role: "img", "aria-label": m.words + (s["class"] ? ", " + s["class"] : "") + ", by group; the numbers stand in the table below"}, kids);
  };
  var figures = el("div", {"class": "grid"});
  var figure = function (m, s) {
    var limited = s.centre !== undefined, note = s.along === "group" ? "Groups have no order in time, so no limits." : limited ? (m.share && s.spread > 1 ? "Limits " + U.times(s.spread) + " times as wide as counts alone make them: jobs differ." : "") : U.counted(s.at.length, "month") + ": limits need " + data.least + ".";
    var head = [s.along, "value", "jobs"].concat(m.share && s.n ? ["counted"] : [], limited ? ["lower", "upper", ""] : []);
    var lines = s.at.map(function (a, k) { return [a, told(m, s.value[k]), U.count(s.jobs[k])].concat(m.share && s.n ? [U.count(s.n[k])] : [], limited ? [told(m, s.low[k]), told(m, s.high[k]), s.beyond[k] ? "outside" : ""] : []); });
    var name = m.words + (s["class"] ? ", " + s["class"] : "");
    var numbers = el("details", {}, [el("summary", {text: "Numbers"})]);
    numbers.addEventListener("toggle", function () { if (numbers.open && numbers.children.length < 2) { numbers.append(G.table({title: name + ", numbers", head: head, rows: lines})); } });
    return el("figure", {}, [el("h3", {}, [G.own(name)]), s.along === "group" ? byGroup(m, s) : byMonth(m, s), el("figcaption", {text: note}), numbers]);
  };
  var redraw = function () {
    var key = what.select.value, along = how.select.value, group = along === "group" || !who.select.value ? null : D.groups[+who.select.value - 1];
    who.select.disabled = along === "group";
    var found = D.series.filter(function (s) { return s.measure === key && s.along === along && (along === "group" || s.group === group); });
    figures.replaceChildren.apply(figures, found.length ? found.map(function (s) { return figure(D.measures[key], s); }) : [el("p", {text: along === "group" ? "Fewer than two groups have this figure." : "Fewer than two months have this figure."})]);
  };
  var keys = Object.keys(D.measures), has = function (key) { return D.series.some(function (s) { return s.measure === key; }); };
  var what = chosen("Figure", keys.map(function (k) { return option(k, D.measures[k].words); }), redraw), how = chosen("Along", [option("month", "months"), option("group", "groups, side by side")], redraw);
  var who = chosen("Group", [option("", "all jobs")].concat(D.groups.map(function (name, k) { return option(k + 1, name); })), redraw);
  what.select.value = keys.find(has) || keys[0];
  $("charts").append(el("div", {"class": "tools"}, [what.box, how.box, D.groups.length ? who.box : null]), figures);

  /* ---- start ---- */
  G.overview = {drawn: 0, took: 0, sorted: 0, state: state, view: view, data: data, place: function (i) { return [sx(X[i]), sy(Y[i])]; }, redraw: draw};
  fresh(); refresh(); measure(); swatch(); redraw();
  new ResizeObserver(function () { if (canvas.parentNode.clientWidth !== size.w || canvas.parentNode.clientHeight !== size.h) { measure(); } }).observe(canvas.parentNode);
  var looked = function () { fresh(); swatch(); draw(); };
  root.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", looked);
  root.addEventListener("beforeprint", function () { printing = true; looked(); });
  root.addEventListener("afterprint", function () { printing = false; looked(); });
})(self);
