// The figures of a chart under the pointer, the finger, or the arrow keys.
(function () {
  "use strict";
  function ready(figure) {
    if (figure.dataset.ready) return;
    figure.dataset.ready = "yes";
    var all = figure.querySelector(".panels"), out = figure.querySelector(".readout"), data;
    var plots = Array.prototype.slice.call(figure.querySelectorAll("svg.chart"));
    if (!all || !plots.length || !out) return;
    try { data = JSON.parse(figure.dataset.chart); } catch (e) { return; }
    var lines = data.lines.map(function (line) {
      return {
        name: line.name, unit: line.unit, values: line.values.split(","), zones: line.zones || [], beside: line.beside,
        ranges: (line.ranges || "").split(","), plot: plots[line.panel]
      };
    });
    var columns = lines.reduce(function (most, line) { return Math.max(most, line.values.length); }, 0);
    if (!columns) return;
    var clock = new Intl.DateTimeFormat(document.documentElement.lang === "en-US" ? "en-US" : "en-AU", {
      timeZone: data.zone, weekday: "short", day: "numeric", month: "short", hour: "numeric", minute: "2-digit"
    });
    var cursors = plots.map(function (plot) {
      var cursor = document.createElementNS("http://www.w3.org/2000/svg", "line");
      cursor.setAttribute("class", "cursor");
      cursor.setAttribute("y1", "0");
      cursor.setAttribute("y2", "100%");
      cursor.setAttribute("visibility", "hidden");
      plot.appendChild(cursor);
      return cursor;
    });
    out.hidden = false;
    out.textContent = "Point at the chart to read it, or use the arrow keys.";
    all.setAttribute("tabindex", "0");
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
    // The same in the unit that people know, where that is another: with as many digits, or one
    // more where a unit is as large as an inch.
    function beside(line) {
      if (!line.beside || !line.values[at]) return "";
      var number = Number(line.values[at]) * line.beside[0] + line.beside[1];
      return " (" + number.toFixed(line.beside[0] < 0.1 ? 2 : 1) + " " + line.beside[2] + ")";
    }
    function show(column) {
      var before = at;
      at = Math.max(0, Math.min(columns - 1, column));
      if (at === before) return;
      var x = (at / columns * 100).toFixed(2) + "%";
      cursors.forEach(function (cursor) {
        cursor.setAttribute("x1", x);
        cursor.setAttribute("x2", x);
        cursor.setAttribute("visibility", "visible");
      });
      // What a narrow screen leaves out is not said either.
      var shown = lines.filter(function (line) { return line.values[at] && line.plot.getBoundingClientRect().width > 0; });
      var said = shown.map(function (line) {
        return line.name + " " + line.values[at] + (line.unit ? " " + line.unit : "") + beside(line) + band(line) +
          (line.ranges[at] ? ", 4 times in 5 " + line.ranges[at] : "");
      });
      // A mark is as wide as a finger's tip is exact.
      var near = columns > 60 ? 1 : 0;
      marks.forEach(function (mark) {
        if (Math.abs(mark[0] - at) <= near && said.indexOf(mark[1]) < 0) said.push(mark[1]);
      });
      var when = clock.format(new Date((data.from + at * data.step) * 1000)).replace(/:00(?= ?[ap]m)/i, "");
      out.textContent = when + ": " +
        (said.length ? said.join("; ") : "no reading");
    }
    function point(event) {
      var box = event.currentTarget.getBoundingClientRect();
      if (box.width > 0) show(Math.floor((event.clientX - box.left) / box.width * columns));
    }
    plots.forEach(function (plot) {
      plot.addEventListener("pointermove", point);
      plot.addEventListener("pointerdown", point);
    });
    all.addEventListener("keydown", function (event) {
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
