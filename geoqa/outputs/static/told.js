/* What a click shows, as text: each table of the block, unpacked when it is first asked for. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(require("./packed.js"), require("./units.js")); } else { root.Geoqa.told = make(root.Geoqa.packed, root.Geoqa.units); }
})(typeof self !== "undefined" ? self : this, function (packed, units) {
  "use strict";
  var api = {};

  var KINDS = {share: units.share, probability: units.probability, span: units.duration, time: units.moment};
  /* What a file's heading says of bare numbers. */
  var BARE = {number: "", share: ", share", probability: ", probability", span: ", s", time: ", UTC"};

  /* A column: text of row i, empty or missing told apart by the caller. */
  var column = function (block, d, fit, ahead) {
    if (d.kind === "text") {
      var t = packed.texts(block, d), text = function (i) { return t.at(i); };
      text.value = text;
      text.bare = function (i) { return [t.at(i)]; }; text.heads = [d.head];
      return text;
    }
    var values = packed.numbers(block, d, fit), beside = d.beside ? packed.numbers(block, d.beside) : null;
    var shown = function (i, line) {
      var v = values[i];
      if (isNaN(v)) { return ""; }
      if (d.kind !== "number") { return KINDS[d.kind](v, ahead); }
      var text = units.number(v, d.decimals, d.sign), unit = line && d.unit ? (d.unit === "°" ? "°" : " " + d.unit) : "";
      return text + unit + (beside ? " (" + units.number(beside[i], d.decimals, d.sign) + (line ? " m)" : ")") : "");
    };
    /* As a file has it: bare numbers, whose unit the heading says. */
    shown.bare = function (i) {
      if (isNaN(values[i])) { return beside ? ["", ""] : [""]; }
      if (d.kind !== "number") { return [d.kind === "time" ? units.utc(values[i]) : String(values[i])]; }
      return [values[i].toFixed(d.decimals)].concat(beside ? [beside[i].toFixed(d.decimals)] : []);
    };
    shown.value = function (i) { return values[i]; };
    shown.heads = [d.head + (d.unit ? ", " + d.unit : BARE[d.kind])].concat(beside ? [d.head + ", m"] : []);
    return shown;
  };

  /* A reader of one drawing's tables: `sections(i)` is what a click on entry i shows. */
  api.reader = function (block, tables, fit, ahead) {
    var made = tables.map(function (t) {
      var columns = t.columns.filter(function (c) { return c.told !== false; });
      return {title: t.title, starts: t.each ? packed.starts(packed.numbers(block, t.each)) : null,
        heads: columns.map(function (c) { return c.head; }), before: columns.map(function (c) { return c.before || ""; }), roles: columns.map(function (c) { return c.role; }),
        columns: columns.map(function (c) { return column(block, c, fit, ahead); })};
    });
    var lines = function (t, i) {
      return t.heads.map(function (head, k) { var text = t.columns[k](i, true); return [head, text && t.before[k] ? t.before[k] + " " + text : text]; })
        .filter(function (row) { return row[1] !== ""; });
    };
    var rows = function (t, i) {
      var out = [];
      for (var q = t.starts[i]; q < t.starts[i + 1]; q++) { out.push(t.columns.map(function (c) { return c(q, false) || units.NONE; })); }
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
      /* What the story of entry i is told from, by role: {value, text}, or a list of them, one a row of its table. */
      roles: function (i) {
        var out = {};
        made.forEach(function (t) {
          t.columns.forEach(function (c, k) {
            if (!t.roles[k]) { return; }
            var cell = function (q) { return {value: c.value(q), text: c(q, true)}; };
            out[t.roles[k]] = t.starts ? Array.from({length: t.starts[i + 1] - t.starts[i]}, function (_, q) { return cell(t.starts[i] + q); }) : cell(i);
          });
        });
        return out;
      },
      /* The lines of every table as one row of cells, for a file. */
      heads: function () { return flat(function (c) { return c.heads; }); },
      cells: function (i) { return flat(function (c) { return c.bare(i); }); }
    };
  };

  var once = function (make) { var made = null; return function () { return (made = made || make()); }; };
  /* The columns that no click shows, by their heads: `at(row)` is text or a number, `starts()` where the rows of each entry begin. */
  api.untold = function (block, tables, fit) {
    var out = {};
    tables.forEach(function (t) {
      var starts = once(function () { return packed.starts(packed.numbers(block, t.each)); });
      t.columns.filter(function (c) { return c.told === false; }).forEach(function (c) {
        var values = once(function () { return c.kind === "text" ? packed.texts(block, c) : packed.numbers(block, c, fit); });
        out[c.head] = {at: function (i) { return c.kind === "text" ? values().at(i) : values()[i]; }, decimals: c.decimals, starts: starts};
      });
    });
    return out;
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
