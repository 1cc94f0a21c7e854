/* Decide: leads a person through the points that need one, keeps what is decided as a draft, and saves it as the whole
   decisions.csv that the next review reads. Nothing is judged here: status and delivery stay what the review says. */
(function (root) {
  "use strict";
  var G = root.Geoqa = root.Geoqa || {}, SUGGESTED = 8;

  (G.more = G.more || []).push(function (page) {
    var given = page.context.decide, site = page.site, el = G.el, own = function (text) { return G.own(G.draft.visible(text)); };
    if (!given || !site) { return; }
    var untold = G.told.untold(page.block, site.tables, page.context.grid);
    var row = given.row.map(function (head) { return untold[head]; }), asked = untold[given.asked];
    if (row.some(function (column) { return !column; })) { return; }

    /* The draft, in the browser's storage where there is one */
    var place = page.context.review && "geoqa decisions of review " + page.context.review, stored = false, kept = null;
    var store = function (act) { try { act(root.localStorage); return true; } catch (e) { return false; } };
    stored = !!place && store(function (s) { kept = s.getItem(place); s.setItem(place, kept || ""); if (!kept) { s.removeItem(place); } });
    var draft = G.draft.make(given, kept);
    var keep = function () {
      var nothing = draft.list() === draft.given && !draft.unsaved() && !draft.who() && !draft.why();
      stored = stored && store(function (s) { if (nothing) { s.removeItem(place); } else { s.setItem(place, draft.keep()); } });
    };
    root.addEventListener("beforeunload", function (e) { if (!stored && draft.unsaved()) { e.preventDefault(); e.returnValue = ""; } });

    /* Rows, and what they are called in the file */
    var ROW = given.kinds[0], POINT = given.kinds[1], ACCEPT = given.actions[0], REJECT = given.actions[1], MOVE = given.actions[2];
    var DONE = {};
    DONE[ACCEPT] = "accepted"; DONE[REJECT] = "rejected"; DONE[MOVE] = "moved";
    var nameOf = function (i) { return Object.prototype.hasOwnProperty.call(given.names, i) ? given.names[i] : site.label.at(i); };
    var targetOf = function (q) { var file = given.files[row[0].at(q)]; return typeof file === "string" ? file + ":" + row[1].at(q) : null; };
    var rowsOf = function (i) {
      var starts = row[0].starts(), out = [];
      for (var q = starts[i]; q < starts[i + 1]; q++) {
        var at = row.slice(2).map(function (c) { return c.at(q).toFixed(c.decimals); }).join(" ");
        out.push({target: targetOf(q), guard: /NaN/.test(at) ? null : at});
      }
      return out;
    };
    /* The point of each entry, by what it decides of. */
    var where = new Map(), keyOf = function (e) { return G.draft.key(e.kind, e.target); };
    var locate = function () {
      var wanted = new Set(), lines = new Set();
      draft.list().concat(draft.given).forEach(function (e) { wanted.add(keyOf(e)); lines.add(+e.target.slice(e.target.lastIndexOf(":") + 1)); });
      if (!wanted.size) { return; }
      for (var i = 0; i < site.n; i++) {
        if (wanted.has(G.draft.key(POINT, nameOf(i)))) { where.set(G.draft.key(POINT, nameOf(i)), i); }
        for (var q = row[0].starts()[i]; q < row[0].starts()[i + 1]; q++) {
          if (lines.has(row[1].at(q)) && wanted.has(G.draft.key(ROW, targetOf(q)))) { where.set(G.draft.key(ROW, targetOf(q)), i); }
        }
      }
    };
    /* The point that a row belongs to: by its entry in a list; without one, as the review has it but for an entry that it had. */
    var unmoved = function (target, there) { var e = G.draft.find(draft.given, ROW, target); return e && e.action === MOVE ? e.before : there; };
    var belongs = function (list, target, there) { var e = G.draft.find(list, ROW, target); return e && e.action === MOVE ? e.new_point : unmoved(target, there); };
    /* The rows that a point has in the end, those of its own first. */
    var left = function (list, name, i) {
      var mine = i === undefined ? [] : rowsOf(i), known = new Set(mine.map(function (r) { return r.target; }));
      var others = list.concat(draft.given).filter(function (e) { return e.kind === ROW && !known.has(e.target); });
      return mine.filter(function (r) { return belongs(list, r.target, name) === name; }).concat(others.filter(function (e) { return belongs(list, e.target, null) === name; }));
    };
    /* The rows in the end of each accepted point that a move of a row concerns: it needs one, and a guard that one of them has. */
    var rests = function (list) {
      var touched = new Set(), out = new Map();
      list.concat(draft.given).forEach(function (e) {
        if (e.kind === ROW && e.action === MOVE) { [e.new_point, e.before, nameOf(where.get(keyOf(e)))].forEach(function (name) { touched.add(name); }); }
      });
      list.forEach(function (e) { if (e.kind === POINT && e.action === ACCEPT && touched.has(e.target)) { out.set(e, left(list, e.target, where.get(keyOf(e)))); } });
      return out;
    };
    var guarded = function () {
      var rest = rests(draft.list());
      return function (e) {
        var rows = rest.get(e);
        return !rows || e.guard === "" || rows.some(function (r) { return r.guard === e.guard; }) ? e.guard : rows[0].guard;
      };
    };

    /* The queue: of the points that show, in its own order and each part the worst first. */
    var codes = Int8Array.from({length: site.n}, function (_, i) { return asked ? given.queue.indexOf(asked.at(i)) : -1; });
    var queue = function () {
      var parts = given.queue.map(function () { return []; });
      page.order(site).forEach(function (i) { if (codes[i] >= 0) { parts[codes[i]].push(i); } });
      return [].concat.apply([], parts);
    };
    var decided = function () { return new Set(draft.list().map(function (e) { return where.get(keyOf(e)); })); };

    var on = false, current = -1, turn = 0, box = null, moving = null, open = false;
    var button = G.button("", function () { on = !on; if (on) { start(); } else { page.panel.again(); } told(); }, {"class": "gq-plain gq-start", "aria-pressed": "false"});
    document.querySelector(".gq-deciding").append(button);
    var told = function () {
      var many = codes.reduce(function (sum, k, i) { return sum + (k >= 0 && page.shown[i]); }, 0), n = draft.unsaved();
      button.setAttribute("aria-pressed", String(on));
      button.textContent = "Decide: " + G.units.counted(many, "point") + (many === 1 ? " needs" : " need") + " a person" + (n ? " (" + G.units.counted(n, "decision") + " not saved)" : "");
    };
    var start = function () {
      var q = page.panel.opened();
      if (q && q.drawing.points) { page.panel.again(); return; }
      var all = queue(), done = decided(), first = all.filter(function (i) { return !done.has(i); })[0];
      if (first === undefined) { first = all.length ? all[0] : page.order(site)[0]; }
      if (first !== undefined) { page.go(first); }
    };
    var step = function (by) {
      var all = queue(), at = all.indexOf(current), next = at < 0 ? Math.min(turn, all.length - 1) : (at + by + all.length) % all.length;
      if (next < 0) { return; }
      page.go(all[next]);
      focus(by < 0 ? "back" : "next");
    };
    var part = function (name) { return Array.from(box.querySelectorAll("[data-do]")).filter(function (e) { return e.dataset["do"] === name; })[0]; };
    var focus = function (name) { var e = box && part(name); if (e) { e.focus({preventScroll: true}); } };

    /* Put in, taken back, written down */
    var change = function (next, said, goal) {
      var rest = rests(next), kept = next.filter(function (e) { return !rest.has(e) || rest.get(e).length; }), lost = next.length - kept.length;
      draft.set(kept);
      changed(said + (lost ? "; what was accepted and has no row left is no longer accepted" : ""), goal);
    };
    var changed = function (said, goal) {
      keep(); moving = null; told(); render(); focus(goal);
      page.announce(G.draft.visible(said) + ". " + G.units.counted(draft.unsaved(), "decision") + " not saved");
    };
    var signed = function () {
      var lacking = [["who", "Write who decides"], ["why", "Write why"]].filter(function (f) { return !draft[f[0]]().trim(); })[0];
      if (lacking) { focus(lacking[0]); page.announce(lacking[1] + " first"); part(lacking[0]).reportValidity(); return null; }
      return {who: draft.who().trim(), when: G.units.today(), why: draft.why().trim()};
    };
    var put = function (action, kind, target, fence, name) {
      var by = signed(), e = by && Object.assign({action: action, kind: kind, target: target, guard: fence, new_point: name || ""}, by);
      if (e) { where.set(keyOf(e), current); change(G.draft.put(draft.list(), e), target + " " + DONE[action] + (name ? " to " + name : ""), "take " + target); }
    };
    var takeBack = function (e, goal) { change(G.draft.without(draft.list(), e.kind, e.target), "Taken back: " + e.action + " " + e.target, goal); };
    var move = function (r, i, text) {
      var shown = page.act.names().indexOf(text), name = shown >= 0 ? nameOf(shown) : text.trim().normalize("NFC"), there = unmoved(r.target, nameOf(i));
      if (!name) { page.announce("Write the point that the row belongs to"); return; }
      if (name === there) {
        var e = G.draft.find(draft.list(), ROW, r.target);
        if (e && e.action === MOVE) { takeBack(e, "move " + r.target); } else { page.announce("The row is under this name already"); }
        return;
      }
      put(MOVE, ROW, r.target, r.guard, name);
    };
    var save = function () {
      G.download(given.file, draft.text(guarded()));
      draft.saved(); changed(given.file + " is saved with " + G.units.counted(draft.list().length, "decision"), "save");
    };

    /* What stands in the panel */
    var act = function (text, name, does, more) { return G.button(text, does, Object.assign({"data-do": name}, more)); };
    var sentence = function (e) { return own(DONE[e.action] + (e.new_point ? " to " + e.new_point : "") + " by " + e.who + ", " + e.when + ": " + e.why); };
    var field = function (name, title, tag, set) {
      var input = el(tag, Object.assign({"data-do": name, required: "", dir: "auto", autocomplete: "off"}, set));
      input.value = draft[name]();
      input.addEventListener("input", function () { draft[name](input.value); keep(); });
      return el("label", {"class": "gq-facet"}, [el("span", {text: title}), input]);
    };
    var moveForm = function (r, i) {
      var list = el("datalist", {id: "geoqa-names"}), said = el("span", {"class": "gq-mean", role: "status"});
      var input = el("input", {type: "text", "data-do": "name", list: "geoqa-names", dir: "auto", autocomplete: "off", "aria-label": "Point that " + r.target + " belongs to", placeholder: "name of the point"});
      input.addEventListener("input", function () {
        var names = page.act.names();
        list.replaceChildren.apply(list, G.choice.search(names, input.value, new Uint8Array(names.length).fill(1), SUGGESTED).map(function (k) { return el("option", {value: names[k]}); }));
        said.textContent = input.value.trim() && names.indexOf(input.value) < 0 ? "No point has this name: the row becomes a point of its own." : "";
      });
      var form = el("form", {"class": "gq-move"}, [input, list, el("button", {"class": "gq-plain", text: "Move"}), act("Cancel", "cancel", function () { moving = null; render(); focus("move " + r.target); }), said]);
      form.addEventListener("submit", function (e) { e.preventDefault(); move(r, i, input.value); });
      return form;
    };
    var line = function (r, k, i, story) {
      var cell = function (role) { return story[role] && story[role][k].text; }, e = r.target && G.draft.find(draft.list(), ROW, r.target);
      var what = [cell("visit") && "visit " + cell("visit"), cell("start"), cell("use")].filter(Boolean).join(", ");
      var said = [el("strong", {text: String(k + 1) + " "}), own(r.target || "The name of its file cannot stand in " + given.file + ": rename the file and review again."), r.guard ? null : el("span", {text: "It has no coordinate that a decision could know it by."}), el("span", {"class": "gq-mean", text: what})];
      if (!r.target || !r.guard) { return el("li", {}, said); }
      var of = {"aria-label": "Reject " + r.target}, to = {"aria-label": "Move " + r.target};
      return el("li", {}, said.concat(moving === r.target ? [moveForm(r, i)] : e ?
        [el("span", {"class": "gq-done"}, [sentence(e)]), act("Take back", "take " + r.target, function () { takeBack(e, "reject " + r.target); })] :
        [act("Reject", "reject " + r.target, function () { put(REJECT, ROW, r.target, r.guard); }, of), act("Move to another name", "move " + r.target, function () { if (signed()) { moving = r.target; render(); focus("name"); } }, to)]));
    };
    var listed = function () {
      var list = draft.list();
      var inside = list.map(function (e) {
        return el("li", {}, [own(e.target + " "), sentence(e), draft.given.indexOf(e) >= 0 ? el("span", {"class": "gq-mean", text: "the review has it"}) : null,
          act("Remove", "remove " + e.target, function () { takeBack(e, "list"); }, {"aria-label": "Remove the decision on " + e.target})]);
      });
      var all = el("details", {"class": "gq-decisions"}, [el("summary", {"data-do": "list", text: "Decisions (" + G.units.count(list.length) + ")"}), el("ol", {}, inside),
        act("Clear draft", "clear", function () {
          draft.set(draft.given); draft.saved(); draft.who(""); draft.why("");
          changed("The draft is cleared; Undo brings it back", "list");
        })]);
      all.open = open;
      all.addEventListener("toggle", function () { open = all.open; });
      return all;
    };
    var render = function () {
      if (!box || current < 0) { return; }
      var i = current, all = queue(), at = all.indexOf(i), rows = rowsOf(i), name = nameOf(i), list = draft.list(), accepted = name !== null && G.draft.find(list, POINT, name);
      var story = page.tell(site).roles(i), n = draft.unsaved();
      turn = at < 0 ? turn : at;
      var done = decided(), many = all.filter(function (k) { return done.has(k); }).length;
      box.replaceChildren.apply(box, [
        el("h3", {text: "Decide"}),
        el("p", {"class": "gq-turns"}, [act("Back", "back", function () { step(-1); }, {"aria-label": "Back in the queue"}), act(done.has(i) ? "Next" : "Leave it, next", "next", function () { step(1); }),
          el("span", {text: at < 0 ? "not in the queue" : (at + 1) + " of " + all.length + ": " + asked.at(i)}), el("span", {"class": "gq-mean", text: G.units.count(many) + " decided"})]),
        story.reason && story.reason.text ? el("p", {}, [own(story.reason.text)]) : "",
        el("div", {"class": "gq-signed"}, [field("who", "Who decides", "input", {type: "text"}), field("why", "Why", "textarea", {rows: "2"})]),
        name === null ? el("p", {text: "The name of this point cannot stand in " + given.file + "; its rows can."}) :
          accepted ? el("p", {"class": "gq-done"}, [sentence(accepted), act("Take back", "take " + name, function () { takeBack(accepted, "accept"); })]) :
            el("p", {}, [act("Accept the point as it is", "accept", function () {
              var rest = left(list, name, i);
              if (rest.length) { put(ACCEPT, POINT, name, rest[0].guard || ""); } else { page.announce("No row is left to accept"); }
            })]),
        el("p", {"class": "gq-mean", text: "To accept is your word: it is shown beside the status, and changes neither the status nor the delivery."}),
        el("ol", {"class": "gq-rows", "aria-label": "Occupations of the point"}, rows.map(function (r, k) { return line(r, k, i, story); })),
        el("p", {"class": "gq-turns"}, [act("Save decisions", "save", save), act("Undo", "undo", function () { draft.undo(); changed("Undone", "undo"); }, draft.undoable() ? {} : {disabled: ""}),
          el("span", {"class": "gq-mean", text: n ? G.units.counted(n, "decision") + " not saved" : "all saved"})]),
        el("p", {"class": "gq-mean", text: "Saves the whole " + given.file + ". " + (given.stated ? "Put it where the recipe names it" : "Put it beside the recipe, add  [decisions] file = \"" + given.file + "\"  to the recipe") + " and review again: only that file counts. " +
          (stored ? "Until then a draft stays in this browser; other pages opened from this computer's disk may read it." : "This browser keeps no draft: what is not saved is lost when the page closes.")}),
        listed()
      ]);
    };
    page.parts.unshift(function (i, d) {
      if (!on || !d.points) { return null; }
      if (i !== current) { moving = null; }
      current = i; box = el("section", {"class": "gq-decide", "aria-label": "Decide"});
      render();
      return box;
    });
    page.on("changed", function () { told(); if (on && page.panel.opened()) { render(); } });
    page.decide = {draft: draft, text: function () { return draft.text(guarded()); }};
    locate(); told();
  });
})(typeof self !== "undefined" ? self : this);
