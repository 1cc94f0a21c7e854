/* Decisions while they are made: a list of entries as decisions.csv has them, and the text of that file. It judges nothing. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(require("./told.js")); } else { root.Geoqa.draft = make(root.Geoqa.told); }
})(typeof self !== "undefined" ? self : this, function (told) {
  "use strict";
  var api = {}, BEFORE = "before";

  /* Signs that would hide, or turn the text around them, as their code points: as in geoqa/outputs/text.py. */
  api.visible = function (text) {
    return text.replace(/[\p{Cc}\p{Cf}\p{Cs}\p{Zl}\p{Zp}]/gu, function (sign) {
      var at = sign.codePointAt(0);
      return at === 0x200c || at === 0x200d ? sign : at === 10 ? " " : "⟨U+" + at.toString(16).toUpperCase().padStart(4, "0") + "⟩";
    });
  };

  /* What an entry decides of; a file has one of each. */
  api.key = function (kind, target) { return kind + "\n" + target; };
  var indices = new WeakMap();
  api.find = function (list, kind, target) {
    if (!indices.has(list)) { indices.set(list, new Map(list.map(function (e) { return [api.key(e.kind, e.target), e]; }))); }
    return indices.get(list).get(api.key(kind, target)) || null;
  };
  api.without = function (list, kind, target) { var there = api.find(list, kind, target); return list.filter(function (e) { return e !== there; }); };
  /* An entry stands for the one there was of the same; where there was none, at the end. */
  api.put = function (list, entry) {
    var there = api.find(list, entry.kind, entry.target);
    return there ? list.map(function (e) { return e === there ? entry : e; }) : list.concat([entry]);
  };

  /* `given` is what the head says of deciding, `kept` what `keep` returned once, or null; any other text is let be. */
  api.make = function (given, kept) {
    var cells = given.columns.concat([BEFORE]), first = given.entries.map(function (row) {
      var e = {};
      cells.forEach(function (name, k) { e[name] = row[k]; });
      return e;
    });
    var list = first, filed = first, past = [], who = "", why = "";
    var entries = function (them) {
      return Array.isArray(them) && them.every(function (e) {
        return e && given.columns.every(function (name) { return typeof e[name] === "string"; }) && given.actions.indexOf(e.action) >= 0 && given.kinds.indexOf(e.kind) >= 0;
      });
    };
    var said = function (text) {
      try {
        var d = JSON.parse(text);
        return d && entries(d.list) && entries(d.filed) && typeof d.who === "string" && typeof d.why === "string" ? d : null;
      } catch (e) { return null; /* No draft of ours. */ }
    };
    var begun = said(kept);
    if (begun) { list = begun.list; filed = begun.filed; who = begun.who; why = begun.why; }
    var pair = function (e) { return JSON.stringify(cells.map(function (name) { return e[name]; })); };

    return {
      given: first,
      list: function () { return list; },
      set: function (next) { past.push(list); list = next; },
      undo: function () { list = past.pop() || list; },
      undoable: function () { return past.length > 0; },
      who: function (text) { who = text === undefined ? who : text; return who; },
      why: function (text) { why = text === undefined ? why : text; return why; },
      /* How many decisions differ from those of the file that was saved last, or that the review had. */
      unsaved: function () {
        var off = function (from, than) {
          return from.filter(function (e) { var f = api.find(than, e.kind, e.target); return !f || pair(f) !== pair(e); });
        };
        return off(list, filed).length + filed.filter(function (e) { return !api.find(list, e.kind, e.target); }).length;
      },
      saved: function () { filed = list; },
      /* What another window made of the draft: as it is, or what it has beside ours. */
      other: function (text, beside) {
        var d = said(text) || {list: first, filed: first}, next = d.list;
        if (beside) { next = list.concat(d.list.filter(function (e) { return !api.find(list, e.kind, e.target); })); }
        past.push(list); list = next; filed = d.filed;
      },
      keep: function () { return JSON.stringify({list: list, filed: filed, who: who, why: why}); },
      /* The whole file; `guard` gives what an entry is written with. NUL stands in no table. */
      text: function (guard) {
        return told.csv([given.columns].concat(list.map(function (e) {
          return given.columns.map(function (name) { return (name === "guard" ? guard(e) : e[name]).replace(/\0/g, ""); });
        })));
      }
    };
  };

  return api;
});
