// Draws the span with Plotly and fetches a finer curve when zoomed. Without it the drawn pictures stay.
"use strict";
(async () => {
  const DOTS_BELOW = 12;
  const place = document.getElementById("chart");
  const chart = JSON.parse(place.dataset.chart);
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  // Plotly reads "Z-less" times as they are written: write them in the vat's own timezone.
  const local = new Intl.DateTimeFormat("sv-SE", {
    timeZone: chart.timezone, year: "numeric", month: "2-digit", day: "2-digit",
    hour: "2-digit", minute: "2-digit", second: "2-digit",
  });
  const written = (ms) => local.format(new Date(ms));
  const escaped = (text) => text.replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;");
  const offsetMs = (ms) => Date.parse(written(ms).replace(" ", "T") + "Z") - Math.floor(ms / 1000) * 1000;
  const unwritten = (text) => {
    const asUtc = Date.parse(text.replace(" ", "T").slice(0, 19) + "Z");
    return asUtc - offsetMs(asUtc - offsetMs(asUtc));
  };

  async function fetched(curve, from, to) {
    const query = new URLSearchParams({ quantity: curve.quantity, from_ms: from, to_ms: to, buckets: 480 });
    const answer = await fetch(`/api/vats/${encodeURIComponent(chart.vat)}/curve?${query}`);
    if (!answer.ok) throw new Error(await answer.text());
    return answer.json();
  }
  const scaled = (values, scale) => values.map((value) => (value === null ? null : value * scale));

  // One closed outline per stretch, nulls between them: a band must not be filled across silence.
  function band(times, low, high) {
    const out = { x: [], y: [] };
    let start = 0;
    for (let n = 0; n <= times.length; n++) {
      if (n < times.length && low[n] !== null) continue;
      out.x.push(...times.slice(start, n), ...times.slice(start, n).reverse(), null);
      out.y.push(...high.slice(start, n), ...low.slice(start, n).reverse(), null);
      start = n + 1;
    }
    return out;
  }

  async function traces(from, to) {
    const curves = await Promise.all(chart.curves.map((curve) => fetched(curve, from, to)));
    return curves.flatMap((rows, n) => {
      const axes = { xaxis: "x", yaxis: `y${n === 0 ? "" : n + 1}`, x: rows.time_ms.map(written), showlegend: false };
      const { scale } = chart.curves[n];
      return [
        { ...axes, ...band(axes.x, scaled(rows.low, scale), scaled(rows.high, scale)), mode: "lines", fill: "toself",
          line: { width: 0 }, fillcolor: colour("--band"), hoverinfo: "skip" },
        { ...axes, y: scaled(rows.mean, scale), name: chart.curves[n].label,
          // A line needs two points: a watch that has just begun shows its few as dots.
          mode: rows.mean.length < DOTS_BELOW ? "lines+markers" : "lines", marker: { color: colour("--line"), size: 7 },
          line: { color: colour("--line"), width: 2 } },
      ];
    });
  }

  const rows = chart.curves.length;
  const layout = {
    height: 230 * rows, margin: { l: 52, r: 14, t: 30, b: 44 },
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { family: "system-ui, sans-serif", size: 16, color: colour("--ink") },
    hovermode: "x", dragmode: "zoom", shapes: [], annotations: [],
    xaxis: { range: [written(chart.from_ms), written(chart.to_ms)], gridcolor: colour("--thread"), anchor: `y${rows}`,
      nticks: 5, tickangle: 0, tickformatstops: [
        { dtickrange: [null, 60000], value: "%H:%M:%S" }, { dtickrange: [60000, 43200000], value: "%H:%M" },
        { dtickrange: [43200000, null], value: "%-d %b" }] },
  };
  chart.curves.forEach((curve, n) => {
    const name = n === 0 ? "" : n + 1;
    const top = 1 - n / rows;
    layout[`yaxis${name}`] = {
      domain: [top - 1 / rows + 0.07, top - 0.03], gridcolor: colour("--thread"), zeroline: false, fixedrange: true,
    };
    layout.annotations.push({
      text: curve.label, xref: "paper", yref: "paper", x: 0, y: top - 0.022, xanchor: "left", yanchor: "bottom", showarrow: false,
    });
    for (const limit of curve.limits)
      layout.shapes.push({
        type: "line", xref: "paper", x0: 0, x1: 1, yref: `y${name}`, y0: limit, y1: limit,
        line: { color: colour("--ink"), width: 1.5, dash: "dash" },
      });
  });
  for (const mark of chart.journal)
    layout.shapes.push({
      type: "line", xref: "x", x0: written(mark.time_ms), x1: written(mark.time_ms), yref: "paper", y0: 0, y1: 1,
      line: { color: colour("--bloom"), width: 1, dash: "dot" },
    });
  const marks = {
    x: chart.journal.map((mark) => written(mark.time_ms)), y: chart.journal.map(() => 1),
    text: chart.journal.map((mark) => escaped(mark.words)), hoverinfo: "text", mode: "markers", showlegend: false,
    cliponaxis: false, xaxis: "x", yaxis: "y9", marker: { color: colour("--bloom"), symbol: "diamond", size: 11 },
  };
  layout.yaxis9 = { overlaying: "y", range: [0, 1.04], visible: false, fixedrange: true };

  try {
    const drawn = await traces(chart.from_ms, chart.to_ms);
    place.hidden = false;
    document.getElementById("drawn").hidden = true;
    const settings = { responsive: true, displayModeBar: false, displaylogo: false };
    await Plotly.newPlot(place, [...drawn, marks], layout, settings);
    place.on("plotly_relayout", async (change) => {
      if (change["xaxis.autorange"]) layout.xaxis.range = [written(chart.from_ms), written(chart.to_ms)];
      else if (!("xaxis.range[0]" in change)) return;
      const from = change["xaxis.autorange"] ? chart.from_ms : unwritten(change["xaxis.range[0]"]);
      const to = change["xaxis.autorange"] ? chart.to_ms : unwritten(change["xaxis.range[1]"]);
      layout.xaxis.range = [written(from), written(to)];
      layout.xaxis.autorange = false;
      await Plotly.react(place, [...(await traces(Math.floor(from), Math.ceil(to))), marks], layout, settings);
    });
  } catch (problem) {
    place.hidden = true;
    document.getElementById("drawn").hidden = false;
    console.warn("the zoomable chart could not be drawn", problem);
  }
})();
