// Cells and numbers of the large tables.
(function () {
  "use strict";
  var functions = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});
  var cells = (window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {});
  var UNKNOWN = "unknown";
  var none = function (value) { return value === null || value === undefined || value === ""; };
  // a row that is still on its way has no values at all: it is left blank, not called unknown
  function shown(form) {
    return function (value) { return value === undefined ? "" : form(value); };
  }

  function grouped(value, decimals) {
    return Number(value).toLocaleString("en-GB", {minimumFractionDigits: decimals, maximumFractionDigits: decimals}).replace("-", "\u2212");
  }
  functions.whole = shown(function (value) { return none(value) ? "" : grouped(value, 0); });
  functions.oneDigit = shown(function (value) { return none(value) ? UNKNOWN : grouped(value, 1); });
  functions.twoDigits = shown(function (value) { return none(value) ? UNKNOWN : grouped(value, 2); });
  functions.threeDigits = shown(function (value) { return none(value) ? UNKNOWN : grouped(value, 3); });
  functions.share = shown(function (value) {
    if (none(value)) return UNKNOWN;
    var percent = 100 * value;
    if (percent > 0 && percent < 1) return "<\u202f1\u202f%";
    if (percent > 99 && percent < 100) return ">\u202f99\u202f%";
    return percent.toFixed(0) + "\u202f%";
  });
  functions.decibels = shown(function (value) { return none(value) ? UNKNOWN : grouped(value, 2) + "\u202fdB"; });
  functions.metres = shown(function (value) { return none(value) ? UNKNOWN : grouped(value, 0) + "\u202fm"; });
  functions.minutes = shown(function (value) { return none(value) ? UNKNOWN : grouped(value, 0) + "\u202fmin"; });
  functions.dayOf = shown(function (value) {
    if (none(value)) return "never";
    var at = new Date(String(value).replace(" ", "T") + (String(value).endsWith("Z") ? "" : "Z"));
    return isNaN(at) ? String(value) : at.toLocaleDateString("en-GB", {day: "numeric", month: "short", year: "numeric", timeZone: "UTC"});
  });
  functions.words = shown(function (value) { return none(value) ? UNKNOWN : String(value).replaceAll("_", " "); });
  functions.work = shown(function (value) {
    return none(value) ? UNKNOWN : {inspect_clean: "inspect and clean"}[value] || String(value).replaceAll("_", " ");
  });
  functions.yesNo = shown(function (value) { return none(value) ? UNKNOWN : value ? "yes" : "no"; });

  function link(path) {
    return function (props) {
      if (none(props.value)) return "";
      return React.createElement("a", {href: path + "?id=" + encodeURIComponent(props.value), className: "id"}, props.value);
    };
  }
  cells.ConnectorLink = link("/connector");
  cells.CircuitLink = link("/circuit");
  cells.SiteLink = link("/site");
  cells.PlaceLink = function (props) {
    var path = {circuit: "/circuit", connector: "/connector", site: "/site"}[(props.data || {}).place_kind];
    return path ? link(path)(props) : none(props.value) ? "" : props.value;
  };
  cells.SuspectLink = function (props) {
    var kind = (props.data || {}).suspect_kind;
    return kind === "connector" || kind === "end_face" ? link("/connector")(props) : none(props.value) ? "" : props.value;
  };
  var SHAPES = {act: "\u25c6", soon: "\u25b2", watch: "\u25a0", sound: "\u25cf", unknown: "\u25cb"};
  cells.StateMark = function (props) {
    if (none(props.value)) return "";
    var word = props.value === "act" ? "act now" : props.value;
    return React.createElement("span", {className: "state state-" + props.value},
      React.createElement("span", {className: "shape", "aria-hidden": "true"}, SHAPES[props.value] || SHAPES.unknown),
      React.createElement("span", {className: "state-word"}, word));
  };
  cells.ListOfCircuits = function (props) {
    if (none(props.value)) return "";
    var ids = String(props.value).split(";").filter(Boolean);
    var made = ids.slice(0, 2).map(function (id, number) {
      return React.createElement("span", {key: id}, number ? ", " : "",
        React.createElement("a", {href: "/circuit?id=" + encodeURIComponent(id), className: "id"}, id));
    });
    if (ids.length > 2) made.push(React.createElement("span", {key: "more"}, " and " + (ids.length - 2) + " more"));
    return React.createElement("span", null, made);
  };
})();
