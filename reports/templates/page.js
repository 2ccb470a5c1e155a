"use strict";
(function () {
  var root = document.documentElement;
  var group = "bath";
  var panels = [];

  // Colours stand in the options as "@name"; the style sheet knows what they are by day and by night.
  var colourKeys = { color: 1, borderColor: 1, backgroundColor: 1 };
  function painted(node, style) {
    if (Array.isArray(node)) {
      return typeof node[0] === "number" || (Array.isArray(node[0]) && typeof node[0][0] === "number") ? node
        : node.map(function (n) { return painted(n, style); });
    }
    if (node === null || typeof node !== "object") { return node; }
    var out = {};
    Object.keys(node).forEach(function (key) {
      var value = node[key];
      if (key === "data" && node.symbol !== undefined && node.name !== undefined) {
        out[key] = value;
      } else if (colourKeys[key] === 1 && typeof value === "string" && value.charAt(0) === "@") {
        out[key] = style.getPropertyValue("--" + value.slice(1)).trim();
      } else if (colourKeys[key] === 1 && Array.isArray(value)) {
        out[key] = value.map(function (c) { return style.getPropertyValue("--" + String(c).slice(1)).trim(); });
      } else {
        out[key] = painted(value, style);
      }
    });
    return out;
  }

  // What a chart shows comes in columns, each one string; the chart library wants a row for every point.
  function cells(column) { return column === "" ? [] : column.split(" "); }
  function times(column) {
    var at = 0;
    return cells(column).map(function (step) { at += Number(step); return at * 1000; });
  }
  function lines(columns) {
    if (!columns) { return []; }
    var value = cells(columns.value), low = cells(columns.low), width = cells(columns.width);
    return times(columns.t).map(function (t, i) { return [t, Number(value[i]), Number(low[i]), Number(width[i])]; });
  }
  var dense = 2000;
  var plain = { used: "circle", held: "diamond", dropped: "rect", void: "rect", add: "triangle", bail: "triangle", treat: "rect", other: "rect" };
  function signs(series, spots) {
    series.data = spots;
    // So many that outlines cannot be told apart are drawn in one go.
    if (spots.length > dense) { series.large = true; series.largeThreshold = dense; series.symbol = plain[series.name]; series.symbolSize = 5;
      // All in one go has no outline of its own for each: it would cover the others.
      series.itemStyle = { color: series.itemStyle.borderColor === "@card" ? series.itemStyle.color : series.itemStyle.borderColor, borderWidth: 0 };
    }
  }
  // One bar for all bars of a three-thousandth of the picture, where they are many.
  function united(bars, from, to) {
    if (bars.length <= 3000) { return bars; }
    var out = [], place = -1;
    bars.forEach(function (b) {
      var at = Math.floor((b[0] - from) / (to - from) * 3000), last = out[out.length - 1];
      if (at === place) { last[1] = Math.min(last[1], b[1]); last[2] = Math.max(last[2], b[2]); } else { out.push(b.slice()); place = at; }
    });
    return out;
  }
  function filled(data) {
    var series = {}, facts = [];
    data.option.series.forEach(function (s) { series[s.name] = s; });
    var onPicture = function (y) { return Math.min(Math.max(y, data.floor), data.top); };
    var axis = data.option.xAxis[0];
    data.option.dataset = [{ source: lines(data.past) }, { source: lines(data.ahead) }];
    (data.readings || []).forEach(function (r) {
      var value = cells(r.value), u = cells(r.u), spots = [], bars = [];
      times(r.t).forEach(function (t, i) {
        var y = Number(value[i]), half = u[i] === "-" ? 0 : data.factor * Number(u[i]);
        spots.push([t, onPicture(y)]);
        if (half > 0) { bars.push([t, onPicture(y - half), onPicture(y + half)]); }
        facts.push([t, data.noun + " " + value[i] + " " + data.unit + (u[i] === "-" ? "" : ", u " + u[i]) + (r.notes[i] ? " (" + r.notes[i] + ")" : "")]);
      });
      signs(series[r.state], spots);
      var line = series[r.state + ", 90 %"].data = [];
      united(bars, axis.min, axis.max).forEach(function (b) { line.push([b[0], b[1]], [b[0], b[2]], [b[0], null]); });
    });
    (data.marks || []).forEach(function (m) {
      var text = cells(m.text);
      signs(series[m.shape], times(m.t).map(function (t, i) { facts.push([t, m.texts[text[i]]]); return [t, data.lane]; }));
    });
    if (data.bars) {
      var ah = cells(data.bars.ah), width = data.bars.days * 864e5, sum = 0, sums = series.sum.data = [[axis.min, 0]];
      series.charge.data = times(data.bars.t).map(function (t, i) {
        sums.push([Math.max(axis.min, t), sum]);
        sum += Number(ah[i]);
        sums.push([Math.min(axis.max, t + width), sum]);
        facts.push([t + width / 2, (data.bars.days > 1 ? "week of " : "") + day(t) + ": " + Number(ah[i]).toFixed(1) + " Ah; " + sum.toFixed(0) + " Ah since " + day(axis.min)]);
        return [t + width / 2, Number(ah[i])];
      });
      if (data.now) { sums.push([Math.max(data.now, sums[sums.length - 1][0]), sum]); }
    }
    facts.sort(function (a, b) { return a[0] - b[0]; });
    data.facts = facts;
    return data;
  }

  // Times on the axis are the bath's clock told as if it were UTC.
  function clock(ms) { return new Date(ms).toISOString().slice(0, 16).replace("T", " "); }
  function day(ms) { return new Date(ms).toISOString().slice(0, 10); }

  // The place of the last row at or before a time, or else the first.
  function before(rows, time) {
    var low = 0, high = rows.length - 1;
    while (low < high) {
      var mid = (low + high + 1) >> 1;
      if (rows[mid][0] <= time) { low = mid; } else { high = mid - 1; }
    }
    return low;
  }
  function nearest(rows, time) {
    var i = before(rows, time);
    return i + 1 < rows.length && Math.abs(rows[i + 1][0] - time) < Math.abs(rows[i][0] - time) ? i + 1 : i;
  }

  // What stands at a time: the estimate's nearest point, with that point's own time, and every entry a fingertip covers.
  function told(panel, time) {
    var lines = [];
    var rows = panel.rows;
    if (rows.length > 0) {
      var row = rows[nearest(rows, time)];
      var d = panel.data.decimals;
      var ahead = panel.data.now && row[0] > panel.data.now ? "to come if nothing but water is added; " : "";
      lines.push({ at: clock(row[0]), text: panel.data.name + " " + row[1].toFixed(d) + " " + panel.data.unit,
        more: ahead + "90 %: " + row[2].toFixed(d) + " to " + (row[2] + row[3]).toFixed(d) });
    }
    var facts = panel.data.facts;
    var reach = 9 * (panel.span()[1] - panel.span()[0]) / Math.max(panel.box.clientWidth, 1);
    var close = facts.filter(function (f) { return Math.abs(f[0] - time) <= reach; });
    if (rows.length === 0 && close.length === 0 && facts.length > 0) { close = [facts[nearest(facts, time)]]; }
    close.sort(function (a, b) { return Math.abs(a[0] - time) - Math.abs(b[0] - time); });
    close.slice(0, 6).sort(function (a, b) { return a[0] - b[0]; }).forEach(function (f) {
      lines.push({ at: rows.length > 0 ? clock(f[0]) : "", text: f[1] });
    });
    if (close.length > 6) { lines.push({ at: "", text: "and " + (close.length - 6) + " more; zoom in" }); }
    return lines;
  }

  // Everything is put in as text: names and notes can hold anything.
  function tip(panel, params) {
    var list = Array.isArray(params) ? params : [params];
    var box = document.createElement("div");
    box.className = "tip";
    if (list.length === 0) { return box; }
    told(panel, Number(list[0].axisValue)).forEach(function (line) {
      [["at", line.at], ["b", line.text], ["more", line.more]].forEach(function (part) {
        if (!part[1]) { return; }
        var e = document.createElement(part[0] === "b" ? "b" : "span");
        e.className = part[0];
        e.textContent = part[1];
        box.appendChild(e);
      });
    });
    return box;
  }

  function draw(panel) {
    var option = painted(panel.data.option, getComputedStyle(root));
    option.tooltip.formatter = function (params) { return tip(panel, params); };
    var narrow = panel.box.clientWidth < 480;
    option.grid[0].left = narrow ? 36 : 46;
    option.grid[0].right = narrow ? 30 : 40;
    option.tooltip.confine = true;
    option.tooltip.padding = [8, 12];
    panel.chart.setOption(option, { notMerge: true });
    if (panel.zoom) { panel.chart.dispatchAction({ type: "dataZoom", start: panel.zoom[0], end: panel.zoom[1], escapeConnect: true }); }
  }

  function start(figure) {
    var box = figure.querySelector(".live");
    var data = filled(JSON.parse(figure.querySelector(".chart-data").textContent));
    var axis = data.option.xAxis[0];
    var panel = { figure: figure, box: box, data: data, readout: figure.querySelector(".readout"), at: -1,
      rows: data.option.dataset[0].source.concat(data.option.dataset[1].source.slice(1)), whole: [axis.min, axis.max], zoom: null };
    panel.span = function () {
      var z = panel.zoom || [0, 100], w = panel.whole[1] - panel.whole[0];
      return [panel.whole[0] + w * z[0] / 100, panel.whole[0] + w * z[1] / 100];
    };
    box.hidden = false;
    figure.classList.add("drawn");
    try {
      panel.chart = echarts.init(box, null, { renderer: "canvas" });
      panel.chart.group = group;
      panel.chart.on("finished", function () { panel.finished = true; allFinished(); });
      draw(panel);
    } catch (fault) {
      // The still picture stays where the live one cannot be drawn.
      box.hidden = true;
      figure.classList.remove("drawn");
      root.setAttribute("data-fault", String(fault));
      return;
    }
    panel.chart.on("dataZoom", function () {
      var z = panel.chart.getOption().dataZoom[0];
      panel.zoom = [z.start, z.end];
      if (panel === panels[0]) { showSpan(); }
    });
    box.addEventListener("keydown", function (event) { keyed(panel, event); });
    box.addEventListener("blur", function () { panel.chart.dispatchAction({ type: "hideTip" }); });
    new ResizeObserver(function () { panel.chart.resize(); }).observe(box);
    panels.push(panel);
  }

  function allFinished() {
    if (!root.hasAttribute("data-drawn") && panels.every(function (p) { return p.finished; })) {
      root.setAttribute("data-drawn", String(Math.round(performance.now())));
    }
  }

  var from = document.getElementById("span-from"), to = document.getElementById("span-to");
  function showSpan() {
    var s = panels[0].span();
    from.value = day(s[0]);
    to.value = day(s[1]);
  }
  function zoomTo(left, right) {
    var w = panels[0].whole, width = w[1] - w[0];
    var start = Math.max(0, (left - w[0]) / width * 100), end = Math.min(100, (right - w[0]) / width * 100);
    if (!(end - start > 1e-4)) { return; }
    // One chart is told; the others are connected to it.
    panels[0].chart.dispatchAction({ type: "dataZoom", start: start, end: end });
  }

  function keyed(panel, event) {
    if (event.ctrlKey || event.altKey || event.metaKey) { return; }
    var s = panel.span(), middle = (s[0] + s[1]) / 2, half = (s[1] - s[0]) / 2;
    var stops = panel.data.facts.length > 0 ? panel.data.facts : panel.rows;
    switch (event.key) {
      case "ArrowLeft": case "ArrowRight":
        if (stops.length === 0) { return; }
        var step = event.key === "ArrowLeft" ? -1 : 1;
        if (panel.at < 0) { panel.at = step < 0 ? stops.length : before(stops, s[0]) - 1; }
        panel.at = Math.min(stops.length - 1, Math.max(0, panel.at + step));
        var time = stops[panel.at][0];
        if (time < s[0] || time > s[1]) { zoomTo(time - half, time + half); }
        panel.chart.dispatchAction({ type: "showTip", x: panel.chart.convertToPixel({ xAxisIndex: 0 }, time), y: 40 });
        panel.readout.textContent = told(panel, time).map(function (l) { return [l.at, l.text, l.more].filter(Boolean).join(", "); }).join("; ");
        break;
      case "+": case "=": zoomTo(middle - half / 2, middle + half / 2); break;
      case "-": zoomTo(middle - half * 2, middle + half * 2); break;
      case "0": zoomTo(panel.whole[0], panel.whole[1]); break;
      case "Escape": panel.at = -1; panel.chart.dispatchAction({ type: "hideTip" }); break;
      default: return;
    }
    event.preventDefault();
  }

  Array.prototype.forEach.call(document.querySelectorAll("details.figures"), function (d) { d.open = false; });
  window.addEventListener("beforeprint", function () {
    Array.prototype.forEach.call(document.querySelectorAll("details.figures"), function (d) { d.dataset.was = d.open ? "1" : ""; d.open = true; });
  });
  window.addEventListener("afterprint", function () {
    Array.prototype.forEach.call(document.querySelectorAll("details.figures"), function (d) { d.open = d.dataset.was === "1"; });
  });

  // A link to closed figures opens them.
  Array.prototype.forEach.call(document.querySelectorAll(".to-figures"), function (a) {
    a.addEventListener("click", function () { document.getElementById(a.getAttribute("href").slice(1)).open = true; });
  });

  Array.prototype.forEach.call(document.querySelectorAll("figure.panel"), start);
  if (panels.length === 0) { return; }
  echarts.connect(group);

  document.querySelector(".span-bar").hidden = false;
  document.querySelector(".span").hidden = true;
  Array.prototype.forEach.call(document.querySelectorAll(".spans button"), function (button) {
    button.addEventListener("click", function () {
      var days = Number(button.dataset.days), end = panels[0].whole[1], now = panels[0].data.now || end;
      zoomTo(days === 0 ? panels[0].whole[0] : now - days * 864e5, end);
    });
  });
  function typed() {
    var left = Date.parse(from.value + "T00:00:00Z"), right = Date.parse(to.value + "T00:00:00Z") + 864e5;
    if (left < right) { zoomTo(left, right); }
  }
  from.addEventListener("change", typed);
  to.addEventListener("change", typed);

  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", function () { panels.forEach(draw); });
})();
