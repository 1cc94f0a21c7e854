/* What the map shows as the end of its address, so that a link shows the same again. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(); } else { (root.Geoqa = root.Geoqa || {}).state = make(); }
})(typeof self !== "undefined" ? self : this, function () {
  "use strict";
  var api = {};

  /* {view: [zoom, lat, lon], large, hidden: [], undelivered: [], facets: {title: value}, point, open: [title of a drawing, name], more: {name: text}} to text, and back; what is not said is left out. */
  api.write = function (s) {
    var parts = [], put = function (name, text) { if (text !== "" && text !== null && text !== undefined) { parts.push(name + "=" + encodeURIComponent(text)); } };
    if (s.view) { put("view", [Number(s.view[0].toFixed(2)), s.view[1].toFixed(7), s.view[2].toFixed(7)].join("/")); }
    put("large", s.large); put("hide", (s.hidden || []).join(",")); put("without", (s.undelivered || []).join(","));
    Object.keys(s.facets || {}).sort().forEach(function (title) { put("only." + encodeURIComponent(title), s.facets[title]); });
    put("point", s.point);
    if (s.open) { put("open." + encodeURIComponent(s.open[0]), s.open[1]); }
    Object.keys(s.more || {}).sort().forEach(function (name) { put(name, s.more[name]); });
    return parts.join("&");
  };
  api.read = function (text) {
    var s = {facets: {}, hidden: [], undelivered: [], more: {}}, plain = function (t) { try { return decodeURIComponent(t); } catch (e) { return ""; } };
    String(text).replace(/^#/, "").split("&").forEach(function (part) {
      var at = part.indexOf("="), name = part.slice(0, at), value = plain(part.slice(at + 1));
      if (at < 1) { return; }
      if (name === "view") {
        var v = value.split("/").map(Number);
        if (v.length === 3 && v.every(isFinite) && Math.abs(v[1]) <= 90 && Math.abs(v[2]) <= 540) { s.view = v; }
      }
      else if (name === "large") { if (isFinite(+value) && +value > 0) { s.large = +value; } }
      else if (name === "hide") { s.hidden = value.split(","); }
      else if (name === "without") { s.undelivered = value.split(","); }
      else if (name === "point") { s.point = value; }
      else if (name.indexOf("only.") === 0) { s.facets[plain(name.slice(5))] = value; }
      else if (name.indexOf("open.") === 0) { s.open = [plain(name.slice(5)), value]; }
      else { s.more[name] = value; }
    });
    return s;
  };

  return api;
});
