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

  function draw(look) {
    document.querySelectorAll("[data-figure]").forEach(function (place) {
      var figure = recolour(figures[place.dataset.figure], swaps[look] || {});
      if (narrow.matches) { thin(figure); }
      Plotly.react(place, figure.data, figure.layout, config);
    });
  }

  function wear(look) {
    document.documentElement.setAttribute("data-look", look);
    draw(look);
  }

  function chosen() {
    return document.querySelector("input[name=look]:checked").value;
  }

  document.querySelectorAll("input[name=look]").forEach(function (input) {
    input.addEventListener("change", function () { wear(chosen()); });
  });
  window.addEventListener("beforeprint", function () { draw("paper"); });
  window.addEventListener("afterprint", function () { draw(chosen()); });
  var wished = location.hash.match(/look=(day|red|paper)/);
  if (wished) { document.querySelector("input[name=look][value=" + wished[1] + "]").checked = true; }
  wear(chosen());
}());
