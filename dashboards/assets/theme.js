// Before anything is drawn: light or dark, from the switch if it was used, else from the system.
(function () {
  "use strict";
  var asked = null;
  try { asked = window.localStorage.getItem("planner-theme"); } catch (error) { asked = null; }
  var prefersDark = window.matchMedia("(prefers-color-scheme: dark)");
  function show(theme) {
    document.documentElement.setAttribute("data-theme", theme);
  }
  show(asked || (prefersDark.matches ? "dark" : "light"));
  window.plannerTheme = {
    now: function () { return document.documentElement.getAttribute("data-theme"); },
    flip: function () {
      var next = this.now() === "dark" ? "light" : "dark";
      try { window.localStorage.setItem("planner-theme", next); } catch (error) { /* private window: this page only */ }
      show(next);
      return next;
    },
  };
})();
