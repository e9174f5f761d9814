"use strict";
(() => {
  const INK = "#18203a", SOFT = "#48506b", THREAD = "#d5ccb6", LINE = "#24408a", SECOND = "#6e2f56";
  const WEAVE = { feed: "diamond", stir: "x-thin-open", dip: "triangle-down", check: "circle", outcome: "star" };
  const escaped = (text) => text.replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;").replaceAll("\n", "<br>");

  // One closed outline per stretch of data, so that a band is never filled across silence.
  function band(times, low, high) {
    const out = { x: [], y: [] };
    let start = 0;
    for (let n = 0; n <= times.length; n++) {
      if (n < times.length && low[n] !== null && high[n] !== null) continue;
      if (n > start) {
        out.x.push(...times.slice(start, n), ...times.slice(start, n).reverse(), null);
        out.y.push(...high.slice(start, n), ...low.slice(start, n).reverse(), null);
      }
      start = n + 1;
    }
    return out;
  }

  function draw(place, chart) {
    const percent = (values) => values.map((value) => (value === null ? null : value * 100));
    const share = { low: percent(chart.share.low), mean: percent(chart.share.mean), high: percent(chart.share.high) };
    const rows = [
      { title: "Reduced, %", ...share, edge: share, limits: chart.limits.share.map(([a, b, v]) => [a, b, v * 100]) },
      { title: "Margin below half-reduced, mV", ...chart.margin, edge: chart.margin, limits: [[chart.range[0], chart.range[1], 0]] },
      { title: "pH: measured, and dotted as at 25 °C, to which the limits belong", ...chart.ph, edge: chart.ph, second: chart.ph_25c, limits: chart.limits.ph },
      { title: "Temperature, °C", ...chart.temperature, edge: chart.temperature, limits: chart.limits.temperature },
    ];
    const traces = [], shapes = [], annotations = [];
    const layout = {
      height: 820, margin: { l: 52, r: 14, t: 18, b: 36 }, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: "system-ui, sans-serif", size: 13, color: INK }, hovermode: "x", showlegend: false, shapes, annotations,
      xaxis: { range: chart.range, gridcolor: THREAD, anchor: `y${rows.length}`, type: "date" },
    };
    rows.forEach((row, n) => {
      const axis = n === 0 ? "" : n + 1;
      const on = { xaxis: "x", yaxis: `y${axis}`, mode: "lines" };
      traces.push({ ...on, ...band(chart.times, row.edge.low, row.edge.high), fill: "toself", fillcolor: "rgba(58,88,150,0.22)", line: { width: 0 }, hoverinfo: "skip" });
      traces.push({ ...on, x: chart.times, y: row.mean, line: { color: LINE, width: 1.8 }, name: row.title.split(",")[0].split(":")[0] });
      if (row.second) traces.push({ ...on, x: chart.times, y: row.second, line: { color: SECOND, width: 1.6, dash: "dot" }, name: "as at 25 °C" });
      const top = 1 - n / rows.length;
      layout[`yaxis${axis}`] = { domain: [top - 1 / rows.length + 0.035, top - 0.025], gridcolor: THREAD, zeroline: false };
      annotations.push({ text: row.title, xref: "paper", yref: "paper", x: 0, y: top - 0.022, xanchor: "left", yanchor: "bottom", showarrow: false, font: { color: SOFT } });
      for (const [since, until, limit] of row.limits)
        shapes.push({ type: "line", xref: "x", x0: since, x1: until, yref: `y${axis}`, y0: limit, y1: limit, line: { color: INK, width: 1.3, dash: "dash" } });
    });
    // A season's marks side by side are a smear: their lines are drawn while they can be told apart.
    if (chart.marks.length <= 60) for (const mark of chart.marks)
      shapes.push({ type: "line", xref: "x", x0: mark.time, x1: mark.time, yref: "paper", y0: 0, y1: 1, line: { color: SECOND, width: 0.8, dash: "dot" } });
    layout.yaxis9 = { overlaying: "y", range: [0, 1.05], visible: false, fixedrange: true };
    traces.push({
      xaxis: "x", yaxis: "y9", mode: "markers", x: chart.marks.map((mark) => mark.time), y: chart.marks.map(() => 1),
      text: chart.marks.map((mark) => escaped(mark.words)), hovertemplate: "%{text}<extra></extra>",
      marker: { size: chart.marks.length > 200 ? 4 : 10, color: SECOND, symbol: chart.marks.map((mark) => WEAVE[mark.kind] || "square"), line: { width: 1.5, color: SECOND } },
    });
    return Plotly.newPlot(place, traces, layout, { responsive: true, displayModeBar: false });
  }

  const places = [...document.querySelectorAll(".chart")];
  const drawn = places.map((place) => draw(place, JSON.parse(place.parentNode.querySelector("script.curves").textContent)));
  Promise.all(drawn).then(() => document.body.setAttribute("data-drawn", String(places.length)));
  // Paper is narrower than the screen: draw for it, then back.
  window.addEventListener("beforeprint", () => places.forEach((place) => Plotly.relayout(place, { width: 660, height: 780 })));
  window.addEventListener("afterprint", () => places.forEach((place) => Plotly.relayout(place, { autosize: true, width: null, height: 820 })));
})();
