/* Which points show: by status, by delivery, by what they may be chosen by. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(); } else { (root.Geoqa = root.Geoqa || {}).choice = make(); }
})(typeof self !== "undefined" ? self : this, function () {
  "use strict";
  var api = {}, collator = new Intl.Collator("en", {numeric: true});

  /* A facet: its values in order, what is not stated last, and which of them each row has. */
  api.facet = function (title, starts, texts) {
    var order = texts.words.map(function (_, k) { return k; }).sort(function (a, b) {
      return (texts.words[a] === "") - (texts.words[b] === "") || collator.compare(texts.words[a], texts.words[b]);
    });
    var rank = new Uint32Array(order.length), value = new Uint32Array(texts.index.length);
    order.forEach(function (k, r) { rank[k] = r; });
    for (var i = 0; i < value.length; i++) { value[i] = rank[texts.index[i]]; }
    return {title: title, values: order.map(function (k) { return texts.words[k] || "not stated"; }), starts: starts, value: value};
  };

  /* How many rows have each value of a facet; one that has it twice counts once. */
  api.many = function (f) {
    var many = new Array(f.values.length).fill(0), last = new Int32Array(f.values.length).fill(-1);
    for (var i = 0; i + 1 < f.starts.length; i++) {
      for (var q = f.starts[i]; q < f.starts[i + 1]; q++) { if (last[f.value[q]] !== i) { last[f.value[q]] = i; many[f.value[q]]++; } }
    }
    return many;
  };

  /* Nothing hidden, nothing chosen: `hidden` names statuses, `delivery` "yes" and "no", `facets` a value each or -1. */
  api.everything = function (facets) { return {hidden: new Set(), undelivered: new Set(), facets: facets.map(function () { return -1; })}; };

  /* 1 for each point that the facets let through. */
  api.kept = function (n, facets, chosen) {
    var out = new Uint8Array(n).fill(1);
    facets.forEach(function (f, k) {
      if (chosen.facets[k] < 0) { return; }
      for (var i = 0; i < n; i++) {
        var has = 0;
        for (var q = f.starts[i]; q < f.starts[i + 1] && !has; q++) { has = f.value[q] === chosen.facets[k] ? 1 : 0; }
        out[i] &= has;
      }
    });
    return out;
  };

  /* 1 for each point that shows. `style` holds the index of its status among `statuses`, `mark` 1 where it may be delivered. */
  api.shown = function (kept, style, mark, statuses, chosen) {
    var out = Uint8Array.from(kept), off = statuses.map(function (s) { return chosen.hidden.has(s); });
    var no = chosen.undelivered;
    for (var i = 0; i < out.length; i++) { if (style[i] < 0 || off[style[i]] || (mark && no.has(mark[i] ? "yes" : "no"))) { out[i] = 0; } }
    return out;
  };

  /* How many of each status, and of each answer to delivery (null where `mark` is null: nobody has said), among points of `kept` that `inside` lets through:
     each count is of what its own switch shows or would show, so the switches of its own kind do not bear on it. */
  api.tally = function (kept, style, mark, statuses, chosen, inside) {
    var status = statuses.map(function () { return 0; }), answer = {yes: 0, no: 0};
    var off = statuses.map(function (s) { return chosen.hidden.has(s); });
    for (var i = 0; i < kept.length; i++) {
      if (!kept[i] || style[i] < 0 || !inside(i)) { continue; }
      var deliver = mark && mark[i] ? "yes" : "no";
      if (!chosen.undelivered.has(deliver)) { status[style[i]]++; }
      if (!off[style[i]]) { answer[deliver]++; }
    }
    return {status: status, yes: mark === null ? null : answer.yes, no: mark === null ? null : answer.no};
  };

  /* Points whose name holds `text`, those that begin with it first; at most `limit`. */
  api.search = function (names, text, shown, limit) {
    var wanted = text.trim().toLowerCase(), first = [], later = [];
    if (!wanted) { return []; }
    for (var i = 0; i < names.length && first.length < limit; i++) {
      if (!shown[i]) { continue; }
      var at = names[i].toLowerCase().indexOf(wanted);
      if (at === 0) { first.push(i); } else if (at > 0 && later.length < limit) { later.push(i); }
    }
    return first.concat(later).slice(0, limit);
  };

  /* The worst first: the most urgent; then what has no urgency, by its status; then as they came. */
  api.order = function (urgency, rank) {
    var need = Float64Array.from(urgency, function (u, i) { return isNaN(u) ? rank(i) - 1000 : u; });
    return Uint32Array.from(need.keys()).sort(function (a, b) { return need[b] - need[a] || a - b; });
  };

  return api;
});
