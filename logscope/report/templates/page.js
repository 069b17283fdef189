"use strict";
/* Draws each chart when it comes near the screen, in the colours of the style sheet. */
(() => {
  const root = document.documentElement;
  const boxes = [...document.querySelectorAll("[data-plot]")];
  const figures = new Map(boxes.map((box) => [box, box.querySelector("script")]));
  const drawn = new Set();
  const coarse = matchMedia("(pointer: coarse)").matches;
  const PRINT_WIDTH = 660; /* px that fit an upright A4 or letter page */

  /* A value such as "--series-1" of a key that ends in "color" names a variable of the style sheet. */
  function coloured(value, style, key) {
    if (Array.isArray(value)) {
      return typeof value[0] === "object" && value[0] !== null ? value.map((v) => coloured(v, style, "")) : value;
    }
    if (value !== null && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, coloured(v, style, k)]));
    }
    const named = typeof value === "string" && value.startsWith("--") && key.endsWith("color");
    return named ? style.getPropertyValue(value).trim() : value;
  }

  /* Labels given one by one are left out in turn until the others stand side by side. */
  function thinLabels(axis, room) {
    if (!axis.ticktext) return;
    const widest = Math.max(...axis.ticktext.map((text) => text.length)) * 7; /* px of a character of 11 px, with air */
    const every = Math.ceil((axis.ticktext.length * widest) / Math.max(room, 1));
    axis.ticktext = axis.ticktext.map((text, n) => (n % every ? "" : text));
  }

  function dressed(box, figure, width) {
    const style = getComputedStyle(root);
    const colour = (name) => style.getPropertyValue(name).trim();
    const layout = coloured(figure.layout, style, "");
    const axis = {
      gridcolor: colour("--grid"), linecolor: colour("--rule-strong"), zeroline: false, fixedrange: true,
      nticks: 5, exponentformat: "none", tickfont: { size: 11 },
    };
    for (const name of Object.keys(layout).filter((n) => n.startsWith("yaxis"))) {
      layout[name] = { ...axis, ...layout[name] };
    }
    layout.xaxis = {
      ...axis, hoverformat: ".3f", ...layout.xaxis, fixedrange: coarse, nticks: 7, showline: true, ticks: "outside",
      showspikes: true, spikemode: "across", spikethickness: 1, spikedash: "solid", spikecolor: colour("--rule-strong"),
    };
    if (box.dataset.clock) layout.xaxis.range = timeAxis.seen(box, layout.xaxis.range);
    layout.xaxis.title = { ...layout.xaxis.title, font: { size: 11 }, standoff: 6 };
    thinLabels(layout.xaxis, (width ?? box.clientWidth) - layout.margin.l - layout.margin.r);
    return {
      data: coloured(figure.data, style, ""),
      layout: {
        ...layout, width, autosize: width === undefined, showlegend: false, hovermode: "x unified",
        hoversubplots: "axis", dragmode: coarse ? false : "zoom",
        paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
        font: { family: getComputedStyle(document.body).fontFamily, size: 12, color: colour("--ink") },
        hoverlabel: { bgcolor: colour("--sheet"), bordercolor: colour("--rule-strong"), namelength: 28 },
      },
    };
  }

  function draw(box, width) {
    const { data, layout } = dressed(box, JSON.parse(figures.get(box).textContent), width);
    const options = { displayModeBar: false, responsive: true, scrollZoom: false };
    if (box.dataset.clock) options.doubleClick = false;
    Plotly.react(box, data, layout, options);
    if (!drawn.has(box)) timeAxis.listen(box);
    drawn.add(box);
  }

  const redraw = (width) => drawn.forEach((box) => draw(box, width));

  const watcher = new IntersectionObserver((entries) => {
    for (const entry of entries.filter((e) => e.isIntersecting)) {
      watcher.unobserve(entry.target);
      draw(entry.target);
    }
  }, { rootMargin: "600px 0px" });
  boxes.forEach((box) => watcher.observe(box));

  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => redraw());

  let folded = [];
  let moved = [];
  /* On paper the cards are a summary of a page or two: their charts stand with the findings behind them. */
  function chartsToFindings() {
    moved = [...document.querySelectorAll(".card .chart")].map((chart) => ({ chart, from: chart.previousElementSibling }));
    moved.forEach(({ chart }) => {
      const finding = document.getElementById(chart.closest(".card").dataset.finding);
      finding.querySelector(".body").append(chart);
    });
  }
  addEventListener("beforeprint", () => {
    root.classList.add("printing");
    chartsToFindings();
    folded = [...document.querySelectorAll("details:not([open])")];
    folded.forEach((details) => { details.open = true; });
    boxes.forEach((box) => { watcher.unobserve(box); draw(box, PRINT_WIDTH); });
  });
  addEventListener("afterprint", () => {
    root.classList.remove("printing");
    moved.forEach(({ chart, from }) => from.after(chart));
    folded.forEach((details) => { details.open = false; });
    redraw();
  });

  /* A link to a folded finding opens what hides it. */
  function unfold() {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    const details = target && target.closest("details");
    if (details) { details.open = true; target.scrollIntoView(); }
  }
  addEventListener("hashchange", unfold);
  unfold();
})();
