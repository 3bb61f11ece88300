// What a place of a drawing says, at once and under the finger; without scripts the browser's own tips serve.
(() => {
  "use strict";
  const words = new WeakMap();
  const tip = document.createElement("div");
  tip.className = "tip";
  tip.hidden = true;
  tip.setAttribute("aria-hidden", "true");
  document.body.append(tip);
  for (const title of document.querySelectorAll("svg.drawing title")) {
    words.set(title.parentElement, title.textContent);
    title.remove();
  }
  const show = (event) => {
    const chip = event.target.closest?.("svg.chip");
    const said = words.get(event.target) ?? chip?.getAttribute("aria-label");
    tip.hidden = !said;
    if (!said) return;
    tip.textContent = said;
    const width = document.documentElement.clientWidth;
    const left = Math.min(event.clientX + 12, width - tip.offsetWidth - 6);
    const above = event.clientY - tip.offsetHeight - 12;
    tip.style.left = `${Math.max(6, left)}px`;
    tip.style.top = `${above > 4 ? above : event.clientY + 18}px`;
  };
  document.addEventListener("pointermove", show);
  document.addEventListener("pointerdown", show);
  document.addEventListener("scroll", () => { tip.hidden = true; }, { passive: true, capture: true });
})();
