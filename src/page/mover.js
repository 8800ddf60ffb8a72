// Moves and sizes the places of the garden's drawing by pointer and by keys, in steps of a
// tenth of a metre, and keeps numbers and lines in step.
(function () {
  "use strict";
  var svg = document.querySelector("svg.mover"), lines = document.getElementById("lines");
  if (!svg || !lines) return;
  var STEP = 0.1, LEAST = 0.2, MOST = 1000;
  var keys = document.querySelector(".mover-keys");
  if (keys) keys.hidden = false;

  function field(spot, name) { return document.querySelector('input[name="' + spot.dataset.key + name + '"]'); }
  function number(spot, name) { return Number(field(spot, name).value) || 0; }
  function round(value) { return Math.round(value * 100) / 100; }
  function between(value, least) { return Math.min(MOST, Math.max(least, value)); }

  function put(spot, x, y, w, h) {
    var values = { x: between(x, 0), y: between(y, 0), w: between(w, LEAST), h: between(h, LEAST) };
    Object.keys(values).forEach(function (name) { field(spot, name).value = round(values[name]); });
    draw(spot);
    write();
  }

  function draw(spot) {
    var w = number(spot, "w"), h = number(spot, "h");
    var box = spot.querySelector("rect.plot"), grip = spot.querySelector("rect.grip"), text = spot.querySelector("text");
    spot.setAttribute("transform", "translate(" + number(spot, "x") + " " + number(spot, "y") + ")");
    box.setAttribute("width", w);
    box.setAttribute("height", h);
    grip.setAttribute("x", w - Number(grip.getAttribute("width")));
    grip.setAttribute("y", h - Number(grip.getAttribute("height")));
    text.setAttribute("x", w / 2);
    // A name that has no room stands below.
    var name = spot.dataset.name, letters = name.length;
    text.textContent = name;
    var long = text.getComputedTextLength() > w;
    // A long name loses its end, so that it does not lie on its neighbour's.
    var room = Math.max(w, (spots.length > 16 ? 4 : 9) * Number(text.getAttribute("font-size")));
    while (letters > 1 && text.getComputedTextLength() > room) { text.textContent = name.slice(0, --letters).trim() + "\u2026"; }
    text.setAttribute("y", long ? h + Number(text.getAttribute("font-size")) * 0.7 : h / 2);
    spot.setAttribute("aria-label", spot.dataset.name + ": " + number(spot, "x") + " m from the left, " +
      number(spot, "y") + " m from the top, " + w + " m wide, " + h + " m deep");
  }

  var saved = document.getElementById("plan");
  function write() {
    if (saved) saved.value = spots.map(function (spot) {
      return spot.dataset.key + " " + ["x", "y", "w", "h"].map(function (name) { return number(spot, name); }).join(" ");
    }).join(";");
    lines.textContent = spots.map(function (spot) {
      return "# " + spot.dataset.table + "\nplan = { x = " + number(spot, "x") + ", y = " + number(spot, "y") +
        ", w = " + number(spot, "w") + ", h = " + number(spot, "h") + " }\n";
    }).join("");
  }

  // Where the pointer is, in metres.
  function at(event) {
    var point = new DOMPoint(event.clientX, event.clientY);
    return point.matrixTransform(svg.getScreenCTM().inverse());
  }

  var spots = Array.prototype.slice.call(svg.querySelectorAll(".moved"));
  spots.forEach(function (spot) {
    var from = null;
    spot.dataset.name = spot.getAttribute("aria-label");
    spot.setAttribute("tabindex", "0");
    draw(spot);
    spot.addEventListener("pointerdown", function (event) {
      var point = at(event);
      from = { x: point.x, y: point.y, sizes: event.target.classList.contains("grip"),
        at: ["x", "y", "w", "h"].map(function (name) { return number(spot, name); }) };
      spot.focus();
      if (spot.setPointerCapture && event.isTrusted) spot.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    spot.addEventListener("pointermove", function (event) {
      if (!from) return;
      var point = at(event), was = from.at;
      var dx = Math.round((point.x - from.x) / STEP) * STEP, dy = Math.round((point.y - from.y) / STEP) * STEP;
      if (from.sizes) put(spot, was[0], was[1], was[2] + dx, was[3] + dy);
      else put(spot, was[0] + dx, was[1] + dy, was[2], was[3]);
    });
    ["pointerup", "pointercancel"].forEach(function (name) {
      spot.addEventListener(name, function () { from = null; });
    });
    spot.addEventListener("keydown", function (event) {
      var way = { ArrowLeft: [-STEP, 0], ArrowRight: [STEP, 0], ArrowUp: [0, -STEP], ArrowDown: [0, STEP] }[event.key];
      if (!way) return;
      var was = ["x", "y", "w", "h"].map(function (name) { return number(spot, name); });
      if (event.shiftKey) put(spot, was[0], was[1], was[2] + way[0], was[3] + way[1]);
      else put(spot, was[0] + way[0], was[1] + way[1], was[2], was[3]);
      event.preventDefault();
    });
  });
  document.querySelector(".sizes").addEventListener("input", function () {
    spots.forEach(draw);
    write();
  });
})();
