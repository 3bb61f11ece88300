// Where scripts run, figures with data become ones to hover and choose in; without scripts the drawings stay.
(() => {
  "use strict";
  if (!window.Plotly) return;
  const coarse = window.matchMedia("(pointer: coarse)").matches;
  const config = { displaylogo: false, responsive: true, plotlyServerURL: "", modeBarButtons: [["toImage", "zoom2d", "pan2d", "resetScale2d"]], displayModeBar: coarse ? false : "hover" };

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
    let shown = whole.start;

    const draw = () => {
      const narrow = live.clientWidth < 560;
      const layout = structuredClone(whole.layout);
      layout.height = narrow ? Math.min(whole.height, 470) : whole.height;
      layout.dragmode = coarse ? false : "zoom";
      if (narrow) {
        layout.annotations = (layout.annotations || []).filter((a) => a.name !== "designed");
        layout.margin.l = 44;
        layout.font.size = 12;
        if (layout.xaxis.dtick) layout.xaxis.dtick = 30;
      }
      window.Plotly.react(live, structuredClone(whole.choices[shown].data), layout, config);
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
      const choice = element("select", "");
      whole.choices.forEach((c, i) => choice.append(element("option", c.label, { value: i })));
      choice.value = whole.start;
      choice.addEventListener("change", () => { shown = Number(choice.value); show(true); });
      label.append(choice);
      bar.append(label);
    }
    bar.append(button);
    figure.insertBefore(bar, figure.firstChild);
    show(true);
  }
})();
