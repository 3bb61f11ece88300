// Where scripts run, figures with data become ones to hover and choose in; without scripts the drawings stay.
(() => {
  "use strict";
  if (!window.Plotly) return;
  const coarse = window.matchMedia("(pointer: coarse)").matches;
  const config = { displaylogo: false, responsive: true, plotlyServerURL: "", modeBarButtons: [["toImage", "zoom2d", "pan2d", "resetScale2d"]], displayModeBar: coarse ? false : "hover" };
  const marks = document.documentElement.dataset;

  const element = (tag, text, attributes = {}) => {
    const made = document.createElement(tag);
    made.textContent = text;
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    return made;
  };

  for (const live of document.querySelectorAll("[data-live]")) {
    const figure = live.closest("figure");
    const plain = figure.querySelector(".plain");
    const whole = JSON.parse(document.getElementById(live.dataset.live).textContent);
    const bar = element("div", "", { class: "switch" });
    const button = element("button", "Show the plain figure", { type: "button" });
    const choice = element("select", "");
    const hidden = new Set();
    let shown = whole.start;
    let picked = null;

    const traces = () => structuredClone(whole.choices[shown].data).filter((t) => !hidden.has(t.legendgroup)).map((t) => {
      if (t.name !== "picks" || !picked) return t;
      const here = (a, b) => t.customdata.map((key) => (key === picked.key ? a : b));
      t.marker.size = here(17, 8);
      t.marker.line.width = here(4, 1.5);
      return t;
    });
    const draw = () => {
      const narrow = live.clientWidth < 560;
      const layout = structuredClone(whole.layout);
      layout.separators = marks.decimal + marks.thousands;
      layout.height = narrow ? Math.min(whole.height, 470) : whole.height;
      layout.dragmode = coarse ? false : "zoom";
      if (narrow) {
        layout.annotations = (layout.annotations || []).filter((a) => a.name !== "designed");
        layout.font.size = 12;
        if (layout.xaxis.dtick) layout.xaxis.dtick = 30;
      }
      if (picked && whole.choices.length > 1) layout.shapes = [{ type: "line", x0: picked.angle, x1: picked.angle, yref: "paper", y0: 0, y1: 1, line: { color: "#a11d00", width: 2 } }];
      window.Plotly.react(live, traces(), layout, config);
    };
    const show = (interactive) => {
      live.hidden = !interactive;
      plain.hidden = interactive;
      button.textContent = interactive ? "Show the plain figure" : "Show the figure to explore";
      if (interactive) draw();
    };
    button.addEventListener("click", () => show(live.hidden));

    if (whole.choices.length > 1) {
      const label = element("label", "True wind ");
      whole.choices.forEach((c, i) => choice.append(element("option", c.label, { value: i })));
      choice.value = whole.start;
      choice.addEventListener("change", () => { shown = Number(choice.value); show(true); });
      label.append(choice);
      bar.append(label);
      // The key shows and hides sets.
      for (const item of figure.querySelectorAll(".key li")) {
        const name = item.dataset.group;
        const toggle = element("button", "", { type: "button", "aria-pressed": "true", class: "toggle" });
        toggle.append(...item.childNodes);
        toggle.addEventListener("click", () => {
          hidden[hidden.has(name) ? "delete" : "add"](name);
          toggle.setAttribute("aria-pressed", String(!hidden.has(name)));
          show(true);
        });
        item.append(toggle);
      }
    }
    bar.append(button);
    figure.insertBefore(bar, figure.firstChild);
    show(true);

    live.on("plotly_click", (event) => {
      const point = event.points.find((p) => p.data.name === "picks");
      if (point) document.dispatchEvent(new CustomEvent("pick", { detail: point.customdata }));
    });
    document.addEventListener("picked", (event) => {
      picked = event.detail;
      if (picked && whole.choices.length > 1) {
        const away = (c) => Math.abs(parseFloat(c.label) - picked.wind);
        shown = whole.choices.reduce((best, c, i) => (away(c) < away(whole.choices[best]) ? i : best), 0);
        choice.value = shown;
      }
      if (!live.hidden) draw();
    });
  }
})();
