// The question box: which set at this wind and angle? The sentences come with the page; this finds the nearest place.
(() => {
  "use strict";
  const mark = document.documentElement.dataset.decimal;
  for (const box of document.querySelectorAll("[data-lookup]")) {
    const known = JSON.parse(document.getElementById(box.dataset.lookup).textContent);
    const wind = box.querySelector("[name=wind]");
    const angle = box.querySelector("[name=angle]");
    const output = box.querySelector("output");

    const answer = () => {
      const asked = [Number(wind.value), Number(angle.value)];
      const steps = asked.map((value, i) => Math.round(value / known.step[i]));
      const empty = wind.value === "" || angle.value === "";
      const place = steps.map((n, i) => `${String(Number((n * known.step[i]).toFixed(3))).replace(".", mark)}${i ? "°" : " kn"}`).join(", ");
      const [first, ...rest] = known.places[steps.join(" ")] || ["not sailed enough to say."];
      const lines = [`${place}: ${first}`, ...rest].map((text) => text.replace(/[\ue000-\uf8ff]/g, (sign) => known.names[sign.charCodeAt(0) - 0xe000] ?? sign));
      output.replaceChildren(...(empty ? [] : lines).map((line, i) => {
        const made = document.createElement(i ? "span" : "b");
        made.textContent = line;
        return made;
      }));
    };
    [wind.value, angle.value] = known.start;
    wind.step = known.step[0];
    angle.step = known.step[1];
    for (const field of [wind, angle]) field.addEventListener("input", answer);
    box.hidden = false;
    answer();
  }
})();
