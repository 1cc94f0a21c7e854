/* How the points would be judged without a suspected shift, or under another tolerance. All of it was judged by the review
   itself: here it is only looked up, one thing at a time, and labelled as no result. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};
  G.more = G.more || [];
  /* What the address calls it. */
  var REVIEWED = "as-reviewed", WITHOUT = "without:", TOLERANCE = "tolerance:";

  G.more.push(function (page) {
    var el = G.el, context = page.context, site = page.site, tried = context.tried, figure = G.units.count;
    if (!site || !(tried || (context.settled || []).length)) { return; }
    var own = {style: site.style, mark: site.mark, urgency: site.urgency}, n = site.n;
    var styleOf = tried ? tried.statuses.map(function (s) { return site.styles.map(function (q) { return q.key; }).indexOf(s); }) : [];
    var label = function (s) { return s < 0 ? "no point any more" : site.styles[s].label; };
    var change = function (from, to) { return from === to ? label(to) + ", as reviewed" : label(from) + " → " + label(to); };
    var answer = function (marked) { return context.delivery.filter(function (d) { return d.marked === marked; })[0].label; };

    var settled = (context.settled || []).map(function (s) {
      var numbers = function (d) { return G.packed.numbers(page.block, d); };
      var one = {name: s.name, command: s.command, recipe: s.recipe, entry: numbers(s.entry), status: numbers(s.status), mark: numbers(s.mark),
        reason: G.packed.texts(page.block, s.reason), because: G.packed.texts(page.block, s.because), at: new Map()};
      one.entry.forEach(function (i, k) { one.at.set(i, k); });
      return one;
    });

    /* What is shown: null, or one of {without: number of the shift}, {factor: number on the ladder}. */
    var now = null, one = null, ladder = null, stated = -1;
    if (tried) {
      var told = G.packed.texts(page.block, tried.told), many = tried.factors.length;
      stated = tried.factors.indexOf(1);
      /* Each distinct row of the ladder once: a point's status is looked up there. 255 where only a new review could tell. */
      ladder = {of: Uint32Array.from(told.index), code: new Uint8Array(told.words.length * many).fill(255), many: many, said: G.packed.texts(page.block, tried.said)};
      told.words.forEach(function (word, k) { for (var q = 0; q < word.length; q++) { ladder.code[k * many + q] = styleOf[+word[q]]; } });
      ladder.untold = 0;
      for (var i = 0; i < n; i++) { if (ladder.code[ladder.of[i] * many + stated] === 255) { ladder.untold++; } }
    }
    var under = function (i, q) { var s = ladder.code[ladder.of[i] * ladder.many + q]; return s === 255 ? own.style[i] : s; };

    /* What the recipe would say. */
    var lines = function (q) {
      var factor = tried.factors[q];
      return [].concat.apply([], tried.limits.map(function (limit) {
        var keys = Object.keys(limit.numbers).map(function (key) { return key + " = " + Number((limit.numbers[key] * factor).toPrecision(6)); });
        return [limit.table].concat(keys, limit.convention === "closure" ? [] : ['convention = "' + limit.convention + '"'], [""]);
      })).join("\n").trim();
    };

    var code = el("pre", {"class": "gq-code", tabindex: "0", "aria-label": "What a new review would be told"});
    var copied = el("span", {"class": "gq-mean", role: "status"});
    var copy = G.button("Copy", function () {
      var range = document.createRange();
      range.selectNodeContents(code);
      root.getSelection().removeAllRanges(); root.getSelection().addRange(range);
      copied.textContent = document.execCommand("copy") ? "copied" : "selected: press Ctrl C";
    });
    var recipe = el("div", {"class": "gq-told", hidden: ""}, [el("p", {"class": "gq-mean"}), code, el("p", {"class": "gq-buttons"}, [copy, copied])]);

    var words = el("span"), banner = el("p", {"class": "gq-banner", hidden: ""}, [words, G.button("Back to the review", function () { show(null); })]);
    var plain = el("p", {"class": "gq-banner gq-on-paper", text: "As reviewed: no suspected shift was taken off to draw this."});
    plain.hidden = !settled.length;
    var sheet = page.keyHost.closest(".gq-sheet");
    sheet.querySelector(".gq-head").append(banner, plain);

    /* What is of the review whatever is tried says so. */
    var marks = Array.prototype.map.call(page.keyHost.querySelectorAll(".gq-worst > summary"), function (s) {
      var mark = el("span", {"class": "gq-asof", hidden: "", text: "as reviewed"});
      s.append(" ", mark);
      return {mark: mark, moves: !s.parentElement.classList.contains("gq-classes")};
    });
    var asks = el("p", {"class": "gq-asof", hidden: "", text: "Needs a new review: risk and uncertainty are not known for a tolerance that is only tried."});
    var delivery = page.keyHost.querySelector(".gq-delivery");
    delivery.append(asks);

    /* Shifts */
    var radio = function (value, name, note) {
      var box = el("input", {type: "radio", name: "geoqa-judged", value: String(value)});
      box.addEventListener("change", function () { show(value < 0 ? null : {without: value}); });
      return el("label", {"class": "gq-check"}, [box, el("span", {}, [G.own(name), note ? el("span", {"class": "gq-mean", text: note}) : null])]);
    };
    var before = function (marked) { var sum = 0; for (var i = 0; i < n; i++) { sum += (own.mark[i] === 1) === marked ? 1 : 0; } return sum; };
    var outcome = function (s) {
      var by = site.styles.map(function () { return 0; }), yes = 0;
      s.entry.forEach(function (i, k) { by[own.style[i]]--; if (s.status[k] >= 0) { by[s.status[k]]++; } yes += (s.status[k] >= 0 && s.mark[k] === 1) - (own.mark[i] === 1); });
      var ready = before(true), parts = [answer(true) + ": " + figure(ready) + " → " + figure(ready + yes)];
      context.symbols.forEach(function (q, k) { if (by[k]) { parts.push(q.status + ": " + figure(q.count) + " → " + figure(q.count + by[k])); } });
      return parts.join("; ");
    };
    var shifts = el("fieldset", {"class": "gq-settle"}, [el("legend", {text: "Without a suspected shift"}), radio(-1, "as reviewed", "nothing is taken off")]
      .concat(settled.map(function (s, k) { return radio(k, "without " + s.name, outcome(s)); })));
    shifts.hidden = !settled.length;

    /* Tolerance */
    var ends = tried ? {min: String(tried.factors[0]), max: String(tried.factors[tried.factors.length - 1]), step: "0.1", value: "1"} : {};
    var slider = el("input", Object.assign({type: "range", id: "geoqa-tolerance", "aria-label": "Factor on the tolerance"}, ends));
    var number = el("input", Object.assign({type: "number", id: "geoqa-factor", inputmode: "decimal"}, ends));
    var rung = function (value) {
      var best = stated;
      tried.factors.forEach(function (f, q) { if (Math.abs(f - value) < Math.abs(tried.factors[best] - value)) { best = q; } });
      return best;
    };
    var ask = function (value) { var q = rung(value); show(q === stated ? null : {factor: q}); };
    slider.addEventListener("input", function () { ask(+slider.value); });
    number.addEventListener("input", function () { if (number.value !== "" && number.checkValidity()) { ask(+number.value); } });
    number.addEventListener("change", function () { ask(number.value === "" ? 1 : +number.value); set(); });
    var limits = el("p", {"class": "gq-mean"});
    var tolerance = el("div", {"class": "gq-factor"}, [el("label", {"for": "geoqa-factor", text: "Another tolerance, times the job's"}), number, slider, limits]);
    tolerance.hidden = !tried;

    var box = el("section", {"class": "gq-whatif", "aria-label": "What if"}, [el("h2", {text: "What if?"}),
      el("p", {"class": "gq-mean", text: "Judged by the review, one thing at a time, and no result of it: no coordinate, arrow, ellipse or zone changes."}), shifts, tolerance, recipe]);
    delivery.after(box);

    /* The controls as they stand. */
    var set = function () {
      var value = String(tried && now && now.factor !== undefined ? tried.factors[now.factor] : 1);
      slider.value = value; if (document.activeElement !== number || !number.checkValidity() || +number.value !== +value) { number.value = value; }
      shifts.querySelectorAll("input").forEach(function (r) { r.checked = r.value === String(now && now.without !== undefined ? now.without : -1); });
      limits.textContent = tried ? (value === "1" ? "The job states " : "Tried: ") + ladder.said.at(now && now.factor !== undefined ? now.factor : stated) + (tried.limits.length > 1 ? "; those of roles times the same" : "") + "." : "";
      slider.setAttribute("aria-valuetext", "times " + value + ". " + limits.textContent);
    };

    var show = function (what) {
      now = what; one = what && what.without !== undefined ? settled[what.without] : null;
      var style, mark, urgency, said = "";
      if (one) {
        style = own.style.slice(); mark = own.mark.slice(); urgency = own.urgency ? own.urgency.slice() : null;
        one.entry.forEach(function (i, k) { style[i] = one.status[k]; mark[i] = one.mark[k]; if (urgency) { urgency[i] = NaN; } });
        said = "Without the shift “" + one.name + "”, as if it had been taken off and the site judged again. The review has it in.";
        code.textContent = one.command + "\n\n" + one.recipe.join("\n");
        recipe.firstChild.textContent = "To review it so, by command, or in the recipe:";
      } else if (what) {
        var q = what.factor;
        style = new own.style.constructor(n); mark = null; urgency = tried.factors[q];
        for (var i = 0; i < n; i++) { style[i] = under(i, q); }
        said = "Tried: " + ladder.said.at(q) + "; the job states " + ladder.said.at(stated) + ". Delivery needs a new review." +
          (ladder.untold ? " " + G.units.counted(ladder.untold, "point") + " with measured checks stand" + (ladder.untold === 1 ? "s" : "") + " as reviewed." : "");
        code.textContent = lines(q);
        recipe.firstChild.textContent = "To review it so, in the recipe, in place of what stands there:";
      }
      words.textContent = said; banner.hidden = !said; plain.hidden = !!said || !settled.length;
      recipe.hidden = !said; copied.textContent = "";
      asks.hidden = mark !== null; delivery.querySelectorAll("button").forEach(function (b) { b.disabled = mark === null; });
      marks.forEach(function (m) { m.mark.hidden = !said || (m.moves && !one); });
      sheet.classList.toggle("gq-tried", !!said);
      page.panel.quietly(function () { page.map.invalidateSize({pan: false, animate: false}); });
      set();
      page.restyle(style, mark, urgency);
      page.announce(said || "As reviewed.");
    };

    /* Above the story what is tried, below it what could be. */
    var part = function (i, d, trying) {
      if (!d.points || trying === !now) { return null; }
      var rows = [], title = "", press = null;
      var of = function (s) {
        var k = s.at.get(i);
        var was = answer(own.mark[i] === 1), is = answer(s.mark[k] === 1);
        rows.push(["status", change(own.style[i], s.status[k])]);
        if (s.status[k] >= 0) { rows.push(["delivery", was === is ? is + ", as reviewed" : was + " → " + is], ["why", s.reason.at(k)], ["because", s.because.at(k)]); }
      };
      if (now && !one) {
        title = "Under the tolerance that is tried";
        var untold = ladder.code[ladder.of[i] * ladder.many] === 255;
        rows.push(["status", untold ? "only a new review tells: measured checks bear on it" : change(own.style[i], under(i, now.factor))]);
      } else {
        var s = one || settled.filter(function (q) { return q.at.has(i); })[0];
        if (!s || !s.at.has(i)) { return null; }
        title = "Without " + s.name;
        of(s);
        if (!one) { press = G.button("Show the site without it", function () { show({without: settled.indexOf(s)}); }); }
      }
      var made = G.section({title: title, head: [], rows: rows});
      made.classList.add("gq-if");
      made.append(press || el("p", {"class": "gq-mean", text: "What follows is as reviewed."}));
      return made;
    };
    page.parts.unshift(function (i, d) { return part(i, d, true); });
    page.parts.push(function (i, d) { return part(i, d, false); });

    page.address.judged = function () {
      if (!now) { return settled.length ? REVIEWED : null; }
      return one ? WITHOUT + one.name : TOLERANCE + tried.factors[now.factor];
    };
    var given = page.given.more.judged || "", named = settled.map(function (s) { return WITHOUT + s.name; }).indexOf(given);
    if (named >= 0) { show({without: named}); }
    else if (tried && given.indexOf(TOLERANCE) === 0 && +given.slice(TOLERANCE.length) > 0) { ask(+given.slice(TOLERANCE.length)); }
    set();
    page.whatIf = {show: show, now: function () { return now; }};
  });
})(typeof self !== "undefined" ? self : this);
