// The figures of a chart under the pointer, the finger, or the arrow keys.
(function () {
  "use strict";
  function ready(figure) {
    if (figure.dataset.ready) return;
    figure.dataset.ready = "yes";
    var svg = figure.querySelector("svg.chart"), out = figure.querySelector(".readout"), data;
    if (!svg || !out) return;
    try { data = JSON.parse(figure.dataset.chart); } catch (e) { return; }
    var lines = data.lines.map(function (line) {
      return { name: line.name, unit: line.unit, values: line.values.split(","), zones: line.zones || [] };
    });
    var columns = lines.reduce(function (most, line) { return Math.max(most, line.values.length); }, 0);
    if (!columns) return;
    var clock = new Intl.DateTimeFormat("en-AU", {
      timeZone: data.zone, weekday: "short", day: "numeric", month: "short", hour: "numeric", minute: "2-digit"
    });
    var cursor = document.createElementNS("http://www.w3.org/2000/svg", "line");
    cursor.setAttribute("class", "cursor");
    cursor.setAttribute("y1", "0");
    cursor.setAttribute("y2", "100%");
    cursor.setAttribute("visibility", "hidden");
    svg.appendChild(cursor);
    out.hidden = false;
    out.textContent = "Point at the chart to read it, or use the arrow keys.";
    svg.setAttribute("tabindex", "0");
    var at = -1, marks = (data.events || []).concat(data.flags || []);
    // The word of the band in which a value lies; bands are listed from below.
    function band(line) {
      var value = Number(line.values[at]);
      for (var i = 0; i < line.zones.length; i++) {
        var to = line.zones[i][0];
        if (to === null || value < to) return ", " + line.zones[i][1];
      }
      return "";
    }
    function show(column) {
      var before = at;
      at = Math.max(0, Math.min(columns - 1, column));
      if (at === before) return;
      var x = (at / columns * 100).toFixed(2) + "%";
      cursor.setAttribute("x1", x);
      cursor.setAttribute("x2", x);
      cursor.setAttribute("visibility", "visible");
      var said = lines.filter(function (line) { return line.values[at]; }).map(function (line) {
        return line.name + " " + line.values[at] + (line.unit ? " " + line.unit : "") + band(line);
      });
      // A mark is as wide as a finger's tip is exact.
      var near = columns > 60 ? 1 : 0;
      marks.forEach(function (mark) {
        if (Math.abs(mark[0] - at) <= near && said.indexOf(mark[1]) < 0) said.push(mark[1]);
      });
      out.textContent = clock.format(new Date((data.from + at * data.step) * 1000)) + ": " +
        (said.length ? said.join("; ") : "no reading");
    }
    function point(event) {
      var box = svg.getBoundingClientRect();
      if (box.width > 0) show(Math.floor((event.clientX - box.left) / box.width * columns));
    }
    svg.addEventListener("pointermove", point);
    svg.addEventListener("pointerdown", point);
    svg.addEventListener("keydown", function (event) {
      var far = event.shiftKey ? 10 : 1;
      var step = { ArrowLeft: -far, ArrowRight: far, PageUp: -24, PageDown: 24, Home: -columns, End: columns }[event.key];
      if (step === undefined || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      show((at < 0 ? columns : at) + step);
    });
  }
  window.trugCharts = function (root) {
    Array.prototype.forEach.call(root.querySelectorAll("figure[data-chart]"), ready);
  };
  window.trugCharts(document);
})();
