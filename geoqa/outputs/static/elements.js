/* Elements of the page; every text is placed by textContent. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {};

  G.el = function (tag, set, kids) {
    var e = document.createElement(tag);
    Object.keys(set || {}).forEach(function (name) {
      if (name === "text") { e.textContent = set.text; } else if (name === "class") { e.className = set["class"]; } else { e.setAttribute(name, set[name]); }
    });
    (kids || []).forEach(function (kid) { if (kid) { e.append(kid); } });
    return e;
  };
  /* Text of a file: kept apart from the direction of what stands around it. */
  G.own = function (text) { return G.el("bdi", {dir: "auto", text: text}); };
  /* A cell of a table; a word of the trade tells what it means on focus, on tap and under the pointer. */
  G.glossary = {};
  var cell = function (text) {
    var own = G.own(text), means = Object.prototype.hasOwnProperty.call(G.glossary, text) ? G.glossary[text] : "";
    return means ? G.el("span", {"class": "gq-word", tabindex: "0", "data-means": means}, [own]) : own;
  };
  G.button = function (text, act, more) {
    var b = G.el("button", Object.assign({type: "button", "class": "gq-plain", text: text}, more));
    b.addEventListener("click", act);
    return b;
  };

  /* A file that the page hands over. */
  G.download = function (name, text) {
    var url = URL.createObjectURL(new Blob([text], {type: "text/csv;charset=utf-8"}));
    G.el("a", {href: url, download: name}).click();
    root.setTimeout(function () { URL.revokeObjectURL(url); }, 1000);
  };

  var row = function (cells, heading, open) {
    return G.el("tr", {}, cells.map(function (text, k) {
      var inside = open && !k ? G.button("", open, {"class": "gq-link"}) : null;
      if (inside) { inside.append(G.own(text)); }
      return G.el(heading ? "th" : "td", heading ? {scope: "col"} : {}, [inside || (heading ? G.own(text) : cell(text))]);
    }));
  };
  var lines = function (rows) {
    return G.el("table", {"class": "gq-lines"}, [G.el("tbody", {}, rows.map(function (cells) {
      return G.el("tr", {}, cells.map(function (text, k) { return G.el(k ? "td" : "th", k ? {} : {scope: "row"}, [k ? cell(text) : G.own(text)]); }));
    }))]);
  };
  /* A table of a reader's `sections`: headings and rows, or lines. */
  G.section = function (s) { return G.el("section", {}, [s.title ? G.el("h3", {text: s.title}) : null, s.head.length ? G.table(s) : lines(s.rows)]); };
  /* `opens` gives for each row what its first cell opens, or null. */
  G.table = function (section, opens) {
    return G.el("div", {"class": "gq-scroll", tabindex: "0", role: "group", "aria-label": section.title}, [G.el("table", {"class": "gq-table"}, [
      G.el("thead", {}, [row(section.head, true)]), G.el("tbody", {}, section.rows.map(function (cells, k) { return row(cells, false, opens ? opens(k) : null); }))
    ])]);
  };
})(typeof self !== "undefined" ? self : this);
