/* What a click shows, as text: each table of the block, unpacked when it is first asked for. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(require("./packed.js")); } else { root.Geoqa.told = make(root.Geoqa.packed); }
})(typeof self !== "undefined" ? self : this, function (packed) {
  "use strict";
  var api = {MISSING: "–"};

  api.span = function (seconds) {
    var minutes = seconds / 60;
    if (minutes < 90) { return minutes.toFixed(0) + " min"; }
    return minutes < 2880 ? (minutes / 60).toFixed(1) + " h" : (minutes / 1440).toFixed(1) + " d";
  };
  api.share = function (share) {
    var percent = 100 * share;
    if (share < 0.0001) { return "under 0.01 %"; }
    if (share > 0.9999) { return "over 99.99 %"; }
    /* Nothing is called certain that is not. */
    return (percent < 9.95 ? String(Number(percent.toPrecision(2))) : percent < 99.5 ? percent.toFixed(0) : String(Number(percent.toFixed(2)))) + " %";
  };
  api.time = function (seconds) { return new Date(1000 * seconds).toISOString().slice(0, 16).replace("T", " "); };
  api.number = function (value, decimals, sign) { return (sign && value > 0 ? "+" : "") + value.toFixed(decimals).replace(/^-(0(\.0+)?)$/, "$1"); };

  /* A column: text of row i, empty or missing told apart by the caller. */
  var column = function (block, d, fit) {
    if (d.kind === "text") {
      var t = packed.texts(block, d), text = function (i) { return t.at(i); };
      text.bare = function (i) { return [t.at(i)]; }; text.heads = [d.head];
      return text;
    }
    var values = packed.numbers(block, d, fit), beside = d.beside ? packed.numbers(block, d.beside) : null;
    var shown = function (i, line) {
      var v = values[i];
      if (isNaN(v)) { return ""; }
      if (d.kind !== "number") { return api[d.kind](v); }
      var text = api.number(v, d.decimals, d.sign), unit = line && d.unit ? (d.unit === "°" ? "°" : " " + d.unit) : "";
      return text + unit + (beside ? " (" + api.number(beside[i], d.decimals, d.sign) + (line ? " m)" : ")") : "");
    };
    /* As a file has it: bare numbers, whose unit the heading says. */
    shown.bare = function (i) {
      if (isNaN(values[i])) { return beside ? ["", ""] : [""]; }
      if (d.kind !== "number") { return [d.kind === "share" ? String(values[i]) : api[d.kind](values[i])]; }
      return [values[i].toFixed(d.decimals)].concat(beside ? [beside[i].toFixed(d.decimals)] : []);
    };
    shown.heads = [d.head + (d.unit ? ", " + d.unit : d.kind === "share" ? ", probability" : "")].concat(beside ? [d.head + ", m"] : []);
    return shown;
  };

  /* A reader of one drawing's tables: `sections(i)` is what a click on entry i shows. */
  api.reader = function (block, tables, fit) {
    var made = tables.map(function (t) {
      return {title: t.title, starts: t.each ? packed.starts(packed.numbers(block, t.each)) : null,
        heads: t.columns.map(function (c) { return c.head; }), before: t.columns.map(function (c) { return c.before || ""; }),
        columns: t.columns.map(function (c) { return column(block, c, fit); })};
    });
    var lines = function (t, i) {
      return t.heads.map(function (head, k) { var text = t.columns[k](i, true); return [head, text && t.before[k] ? t.before[k] + " " + text : text]; })
        .filter(function (row) { return row[1] !== ""; });
    };
    var rows = function (t, i) {
      var out = [];
      for (var q = t.starts[i]; q < t.starts[i + 1]; q++) { out.push(t.columns.map(function (c) { return c(q, false) || api.MISSING; })); }
      return out;
    };
    var flat = function (of) {
      return [].concat.apply([], made.filter(function (t) { return !t.starts; }).map(function (t) { return [].concat.apply([], t.columns.map(of)); }));
    };
    return {
      sections: function (i) {
        return made.map(function (t) { return t.starts ? {title: t.title, head: t.heads, rows: rows(t, i)} : {title: t.title, head: [], rows: lines(t, i)}; })
          .filter(function (s) { return s.rows.length; });
      },
      /* The lines of every table as one row of cells, for a file. */
      heads: function () { return flat(function (c) { return c.heads; }); },
      cells: function (i) { return flat(function (c) { return c.bare(i); }); }
    };
  };

  /* A cell of a CSV file; text that a spreadsheet would run, opened with whatever separator, gets an apostrophe, unless it is
     a number: as in core/formulas.py. */
  var NUMBER = /^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$/;
  api.cell = function (text) {
    var safe = NUMBER.test(text) ? text : (/^'*[\t\r\n]/.test(text) ? "'" : "") + text.replace(/(^|[,;\t|\r\n]"*)('*[=+\-@＝＋－＠])/g, "$1'$2");
    return /[",\r\n]/.test(safe) ? '"' + safe.replace(/"/g, '""') + '"' : safe;
  };
  api.csv = function (rows) { return "\ufeff" + rows.map(function (row) { return row.map(api.cell).join(","); }).join("\r\n") + "\r\n"; };

  return api;
});
