/* Numbers as people read them: what geoqa/core/units.py writes, once more for what the map writes itself. */
(function (root, make) {
  "use strict";
  if (typeof module === "object" && module.exports) { module.exports = make(); } else { (root.Geoqa = root.Geoqa || {}).units = make(); }
})(typeof self !== "undefined" ? self : this, function () {
  "use strict";
  var api = {NONE: "–"};

  api.number = function (value, decimals, sign) {
    if (isNaN(value)) { return api.NONE; }
    var text = value.toFixed(decimals).replace(/^-(0(\.0+)?)$/, "$1");
    return (sign && value > 0 && /[1-9]/.test(text) ? "+" : "") + text;
  };
  /* A length of the job's unit for a scale or a label: in centimetres or millimetres where that reads better. */
  api.short = function (length, unit) {
    if (unit === "m" && length < 0.9995) { return length < 0.00995 ? Number((1000 * length).toPrecision(3)) + " mm" : Number((100 * length).toPrecision(3)) + " cm"; }
    return Number(length.toPrecision(3)) + " " + unit;
  };
  api.times = function (factor) { return api.number(factor, factor < 9.95 ? 1 : 0); };
  api.count = function (n) { return n.toLocaleString("en"); };
  api.counted = function (n, word) { return api.count(n) + " " + word + (n === 1 ? "" : "s"); };
  api.share = function (part) { return part === 0 ? "0 %" : part === 1 ? "100 %" : api.probability(part); };
  api.probability = function (chance) {
    if (isNaN(chance)) { return api.NONE; }
    var hundredths = Math.floor(10000 * chance + 0.5);
    if (hundredths <= 0) { return "under 0.01 %"; }
    if (hundredths >= 10000) { return "over 99.99 %"; }
    var unit = hundredths < 100 || hundredths >= 9950 ? 1 : hundredths < 995 ? 10 : 100;
    return String(Math.floor(10000 * chance / unit + 0.5) * unit / 100) + " %";
  };
  var two = function (count, per, large, little) {
    var whole = Math.floor(count / per), rest = count % per;
    return whole + " " + large + (rest ? " " + rest + " " + little : "");
  };
  api.duration = function (seconds) {
    if (isNaN(seconds)) { return api.NONE; }
    var whole = Math.floor(seconds + 0.5), minutes = Math.floor(whole / 60 + 0.5);
    if (whole < 60) { return whole + " s"; }
    if (whole < 3600) { return two(whole, 60, "min", "s"); }
    return minutes < 2880 ? two(minutes, 60, "h", "min") : two(Math.floor(minutes / 60 + 0.5), 24, "d", "h");
  };

  /* As the job's clocks showed it; `ahead` says from when on (seconds since 1970) they are how many seconds ahead of UTC. */
  api.moment = function (seconds, ahead) {
    var k = ahead.length - 1;
    while (k > 0 && ahead[k][0] > seconds) { k--; }
    return new Date(1000 * (seconds + (k < 0 ? 0 : ahead[k][1]))).toISOString().slice(0, 16).replace("T", " ");
  };
  api.utc = function (seconds) { return new Date(1000 * seconds).toISOString().slice(0, 19) + "Z"; };

  /* The day by this computer's clock. */
  api.today = function () {
    var d = new Date();
    return [d.getFullYear(), d.getMonth() + 1, d.getDate()].map(function (n) { return String(n).padStart(2, "0"); }).join("-");
  };

  return api;
});
