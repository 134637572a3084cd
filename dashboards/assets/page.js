// What the pages do in the browser: follow links without a reload, paint figures in the theme's colours,
// keep the grid's sorting and filters in the address.
(function () {
  "use strict";

  function go(href) {
    window.history.pushState({}, "", href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    window.scrollTo(0, 0);
  }

  function goKeepingPlace(href) {
    window.history.pushState({}, "", href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }

  document.addEventListener("click", function (event) {
    if (event.defaultPrevented || event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
    var link = event.target.closest && event.target.closest("a[href]");
    if (!link || link.target || link.hasAttribute("download")) return;
    var href = link.getAttribute("href");
    if (href.charAt(0) !== "/" || href.indexOf("/download/") === 0) return;
    event.preventDefault();
    if (link.pathname === window.location.pathname) goKeepingPlace(href); else go(href);
  });

  function colourOf(name, styles) {
    return styles.getPropertyValue("--" + name).trim() || "#888";
  }

  // every text "~name" in a figure becomes the theme's colour of that name
  function painted(value, styles) {
    if (typeof value === "string") return value.charAt(0) === "~" ? colourOf(value.slice(1), styles) : value;
    if (Array.isArray(value)) return value.map(function (each) { return painted(each, styles); });
    if (value && typeof value === "object") {
      var made = {};
      Object.keys(value).forEach(function (key) { made[key] = painted(value[key], styles); });
      return made;
    }
    return value;
  }

  var SHORT = {
    contains: "contains", notContains: "without", equals: "is", notEqual: "not", startsWith: "starts",
    endsWith: "ends", lessThan: "lt", lessThanOrEqual: "le", greaterThan: "gt", greaterThanOrEqual: "ge",
    inRange: "between", blank: "empty", notBlank: "filled", "true": "yes", "false": "no",
  };

  function queryOf(request, search) {
    var query = new URLSearchParams(search);
    var kept = new URLSearchParams();
    ["by", "show"].forEach(function (name) { if (query.get(name)) kept.set(name, query.get(name)); });
    Object.entries(request.filterModel || {}).forEach(function (entry) {
      var wanted = entry[1];
      var parts = [SHORT[wanted.type] || wanted.type];
      if (wanted.filterType === "date") {
        if (wanted.dateFrom) parts.push(String(wanted.dateFrom).slice(0, 10));
        if (wanted.dateTo) parts.push(String(wanted.dateTo).slice(0, 10));
      } else {
        if (wanted.filter !== undefined && wanted.filter !== null) parts.push(wanted.filter);
        if (wanted.filterTo !== undefined && wanted.filterTo !== null) parts.push(wanted.filterTo);
      }
      kept.set(entry[0], parts.join(":"));
    });
    (request.sortModel || []).slice(0, 1).forEach(function (sort) {
      kept.set("sort", (sort.sort === "desc" ? "-" : "") + sort.colId);
    });
    return kept.toString();
  }

  var shown = 0;
  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    planner: {
      flipTheme: function (clicks) {
        if (clicks) window.plannerTheme.flip();
        var button = document.getElementById("theme-switch");
        var dark = window.plannerTheme.now() === "dark";
        if (button) button.setAttribute("aria-pressed", dark ? "true" : "false");
        return window.plannerTheme.now();
      },
      paint: function (spec, theme) {
        if (!spec) return window.dash_clientside.no_update;
        return painted(spec, window.getComputedStyle(document.documentElement));
      },
      openPoint: function (clicked) {
        var point = clicked && clicked.points && clicked.points[0];
        var href = point && point.customdata;
        if (typeof href === "string" && href.charAt(0) === "/") {
          if (href.split("?")[0] === window.location.pathname) goKeepingPlace(href); else go(href);
        }
        return window.dash_clientside.no_update;
      },
      search: function (submits, text) {
        var wanted = (text || "").trim();
        if (submits && wanted) go("/find?q=" + encodeURIComponent(wanted));
        return window.dash_clientside.no_update;
      },
      pageShown: function (title) {
        if (title) document.title = title;
        shown += 1;
        if (shown > 2) {
          var heading = document.querySelector("main h1");
          if (heading && document.activeElement === document.body) {
            heading.setAttribute("tabindex", "-1");
            heading.focus({preventScroll: true});
          }
        }
        return window.dash_clientside.no_update;
      },
      keepAddress: function (request) {
        if (!request) return window.dash_clientside.no_update;
        var query = queryOf(request, window.location.search);
        var href = window.location.pathname + (query ? "?" + query : "");
        // replaced, not pushed: the page itself is not drawn anew
        if (href !== window.location.pathname + window.location.search) window.history.replaceState({}, "", href);
        return window.dash_clientside.no_update;
      },
      clearGrid: function (clicks, by) {
        if (clicks) goKeepingPlace(window.location.pathname + "?" + new URLSearchParams(by ? {by: by, fresh: clicks} : {fresh: clicks}));
        return window.dash_clientside.no_update;
      },
    },
  });
  window.plannerGo = go;
})();
