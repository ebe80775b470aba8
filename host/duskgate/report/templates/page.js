"use strict";
(function () {
  var figures = JSON.parse(document.getElementById("figures").textContent);
  var swaps = JSON.parse(document.getElementById("swaps").textContent);
  var config = { responsive: true, displaylogo: false, displayModeBar: false, scrollZoom: false, doubleClick: "reset" };
  var narrow = window.matchMedia("(max-width: 40rem)");

  function recolour(thing, swap) {
    if (typeof thing === "string") { return Object.prototype.hasOwnProperty.call(swap, thing) ? swap[thing] : thing; }
    if (Array.isArray(thing)) { return thing.map(function (part) { return recolour(part, swap); }); }
    if (thing && typeof thing === "object") {
      var out = {};
      Object.keys(thing).forEach(function (key) { out[key] = recolour(thing[key], swap); });
      return out;
    }
    return thing;
  }

  // On a phone: smaller words, and no numbers that would stand on each other (the table has them).
  function thin(figure) {
    var words = (figure.layout.annotations || []).filter(function (a) { return a.name !== "fine"; });
    words.forEach(function (a) { a.font = Object.assign({}, a.font, { size: 10.5 }); });
    figure.layout.annotations = words;
    figure.data.forEach(function (trace) { if (trace.mode === "markers+text") { trace.mode = "markers"; } });
  }

  // A sheet of A4 or Letter is narrower than most windows; 700 px fit on both beside the margins of the style.
  var SHEET = 700;
  var drawn;

  function draw(look, width) {
    document.querySelectorAll("[data-figure]").forEach(function (place) {
      var figure = recolour(figures[place.dataset.figure], swaps[look] || {});
      if (width) { figure.layout.width = width; } else if (narrow.matches) { thin(figure); }
      if (drawn !== width) { Plotly.purge(place); }  // plotly keeps a width once given
      place.style.minHeight = figure.layout.height + "px";  // plotly forgets a height when the window changes its size
      Plotly.react(place, figure.data, figure.layout, config);
    });
    drawn = width;
  }

  function wear(look) {
    document.documentElement.setAttribute("data-look", look);
    draw(look);
  }

  function chosen() {
    return document.querySelector("input[name=look]:checked").value;
  }

  // Numbers without the space that parts their thousands; a text that a spreadsheet would run as a formula stays text.
  function cellText(cell) {
    var text = cell.textContent.replace(/(\d)\u00a0(?=\d{3})/g, "$1").replace(/\s+/g, " ").trim();
    return /^[=+@]|^-(?!\d)/.test(text) ? "'" + text : text;
  }

  function tabText(table) {
    return Array.from(table.rows).map(function (row) {
      return Array.from(row.cells).map(cellText).join("\t");
    }).join("\r\n") + "\r\n";
  }

  // A page opened from a file may have no clipboard of its own: then by way of a marked text, at last by hand.
  function copyByMark(text, button, told, words) {
    var area = document.createElement("textarea");
    var done = false;
    area.className = "by-hand";
    area.readOnly = true;
    area.setAttribute("aria-label", "The table as text with tabs");
    area.value = text;
    button.parentNode.appendChild(area);
    area.select();
    try { done = document.execCommand("copy"); } catch (e) { done = false; }
    if (!done) {
      told.textContent = "This browser does not let the page copy. The text is marked below: press Ctrl+C, or Command+C.";
      return;
    }
    area.remove();
    button.focus();
    told.textContent = words;
  }

  function copy(button) {
    var table = document.getElementById(button.dataset.table);
    var told = button.parentNode.querySelector("[role=status]");
    var text = tabText(table);
    var rows = table.tBodies[0].rows.length;
    var words = "Copied, " + rows + (rows === 1 ? " row" : " rows") + " under the heads, parted by tabs.";
    var byMark = function () { copyByMark(text, button, told, words); };
    button.parentNode.querySelectorAll("textarea").forEach(function (old) { old.remove(); });
    told.textContent = "";
    if (!navigator.clipboard || !navigator.clipboard.writeText) { byMark(); return; }
    navigator.clipboard.writeText(text).then(function () { told.textContent = words; }, byMark);
  }

  document.querySelectorAll("button.copy").forEach(function (button) {
    button.hidden = false;
    button.addEventListener("click", function () { copy(button); });
  });
  document.querySelectorAll("input[name=look]").forEach(function (input) {
    input.addEventListener("change", function () { wear(chosen()); });
  });
  window.addEventListener("beforeprint", function () { draw("paper", SHEET); });
  window.addEventListener("afterprint", function () { draw(chosen()); });
  var wished = location.hash.match(/look=(day|red|paper)/);
  if (wished) { document.querySelector("input[name=look][value=" + wished[1] + "]").checked = true; }
  wear(chosen());
}());
