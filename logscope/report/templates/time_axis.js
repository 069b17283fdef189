"use strict";
/* One time axis for all charts of a log: a stretch zoomed in one of them is zoomed in each that shows some of it. */
const timeAxis = (() => {
  const LEAST_S = 0.001; /* a shorter stretch holds no two frames of a bus */
  const boxes = [...document.querySelectorAll("[data-clock]")];
  const own = new Map(boxes.map((box) => [box, box.dataset.clock.split(" ").map(Number)]));
  const whole = [Math.min(...[...own.values()].map(([from]) => from)), Math.max(...[...own.values()].map(([, to]) => to))];
  const length = ([from, to]) => to - from;
  let zoomed = null; /* [from, to] in seconds; null while each chart shows all it has */

  /* What a chart shows: the zoomed stretch as far as the chart reaches, or all of its own where they do not meet. */
  function seen(box, all) {
    if (zoomed === null || !own.has(box) || document.documentElement.classList.contains("printing")) return all;
    const both = [Math.max(zoomed[0], all[0]), Math.min(zoomed[1], all[1])];
    return length(both) > 0 ? both : all;
  }

  function zoom(stretch) {
    zoomed = stretch;
    if (stretch !== null) {
      const wide = Math.max(length(stretch), LEAST_S);
      const from = Math.min(Math.max((stretch[0] + stretch[1] - wide) / 2, whole[0]), whole[1] - wide);
      zoomed = wide < length(whole) ? [from, from + wide] : null;
    }
    for (const box of boxes.filter((each) => each.classList.contains("js-plotly-plot"))) {
      Plotly.relayout(box, { "xaxis.range": seen(box, own.get(box)) });
    }
    say();
  }

  function scaled(factor) {
    const now = zoomed ?? whole;
    const middle = (now[0] + now[1]) / 2;
    zoom([middle - length(now) * factor / 2, middle + length(now) * factor / 2]);
  }

  function moved(share) {
    if (zoomed !== null) zoom(zoomed.map((end) => end + share * length(zoomed)));
  }

  function made(name, text = "", into = null, style = "") {
    const element = document.createElement(name);
    element.textContent = text;
    element.className = style;
    if (into) into.append(element);
    return element;
  }

  function button(text, into, press) {
    const element = made("button", text, into);
    element.type = "button";
    element.addEventListener("click", press);
    return element;
  }

  const place = made("div", "", null, "noprint");
  const bar = made("div", "", place, "timebar");
  bar.setAttribute("role", "group");
  bar.setAttribute("aria-label", "Time axis of the charts");
  const stretch = made("output", "", bar);
  const back = [];

  function say() {
    const digits = Math.max(0, Math.min(6, 2 - Math.floor(Math.log10(length(zoomed ?? whole) || 1))));
    stretch.textContent = (zoomed ?? whole).map((end) => `${end.toFixed(digits)} s`).join(" to ");
    back.forEach((each) => { each.disabled = zoomed === null; });
    const height = bar.getBoundingClientRect().height;
    bar.classList.toggle("zoomed", zoomed !== null);
    place.style.minHeight = zoomed === null ? "" : `${height}px`; /* nothing moves when the bar leaves its place */
    document.documentElement.style.scrollPaddingBottom = zoomed === null ? "" : `${height}px`;
  }

  function begin() {
    button("Closer", bar, () => scaled(0.5));
    const wider = button("Wider", bar, () => scaled(2));
    const earlier = button("Earlier", bar, () => moved(-0.5));
    const later = button("Later", bar, () => moved(0.5));
    back.push(wider, earlier, later, button("Show all", bar, () => zoom(null)));
    const follow = boxes.length > 1 ? " All charts of this log follow." : "";
    made("p", `Drag across a chart to zoom in.${follow} Double-click or Esc shows all again.`, place, "quiet fine");
    const first = boxes.find((box) => !box.closest(".card")) ?? boxes[0];
    first.closest("figure").after(place);
    for (const box of boxes.filter((each) => each !== first && boxes.length > 1)) {
      button("Zoom all charts to this", made("p", "", box.closest("figure"), "noprint"), () => zoom(own.get(box)));
    }
    addEventListener("keydown", (event) => {
      if (event.key === "Escape" && zoomed !== null) zoom(null);
    });
    say();
  }
  if (boxes.length > 0 && length(whole) > 0) begin();

  /* A chart that has just been drawn: what the pointer zooms in it holds for all. */
  function listen(box) {
    if (!own.has(box)) return;
    box.on("plotly_relayout", (change) => {
      const [from, to] = [change["xaxis.range[0]"], change["xaxis.range[1]"]];
      if (from !== undefined && to !== undefined) zoom([from, to]);
    });
    box.on("plotly_doubleclick", () => zoom(null));
  }
  return { seen, listen };
})();
