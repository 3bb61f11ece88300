// A stretch picked in one figure or table shows in all others. Figures are told by the event "picked".
(() => {
  "use strict";
  const rows = new Map();
  for (const row of document.querySelectorAll("tr[data-pick]")) rows.set(row.dataset.pick, row);
  if (!rows.size) return;
  const bar = document.createElement("div");
  bar.className = "pickbar";
  bar.hidden = true;
  const said = document.createElement("span");
  said.setAttribute("role", "status");
  const go = document.createElement("a");
  const clear = document.createElement("button");
  go.textContent = "Its evidence";
  clear.type = "button";
  clear.textContent = "Let go";
  bar.append(said, go, clear);
  document.querySelector("main").append(bar);

  const pick = (key) => {
    for (const old of document.querySelectorAll(".picked")) old.classList.remove("picked");
    for (const button of document.querySelectorAll(".pick")) button.setAttribute("aria-pressed", String(button.dataset.key === key));
    const row = rows.get(key);
    bar.hidden = !row;
    said.textContent = row ? row.dataset.said : "";
    if (row) {
      for (const mark of document.querySelectorAll(`[data-pick="${key}"]`)) mark.classList.add("picked");
      go.href = `#${key}`;
      for (let drawer = row.closest("details"); drawer; drawer = drawer.parentElement.closest("details")) drawer.open = true;
    }
    document.dispatchEvent(new CustomEvent("picked", { detail: row ? { key, wind: Number(row.dataset.wind), angle: Number(row.dataset.angle) } : null }));
  };
  go.addEventListener("click", () => {
    const evidence = document.querySelector(`[data-open="${go.hash.slice(1)}"]`);
    if (evidence) evidence.open = true;
  });
  clear.addEventListener("click", () => pick(null));
  document.addEventListener("pick", (event) => pick(event.detail));
  document.addEventListener("click", (event) => {
    const mark = event.target.closest(".pickable[data-pick]");
    if (mark) pick(mark.dataset.pick);
  });
  for (const [key, row] of rows) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "pick";
    button.dataset.key = key;
    button.textContent = "Show in the figures";
    button.setAttribute("aria-pressed", "false");
    button.addEventListener("click", () => pick(button.getAttribute("aria-pressed") === "true" ? null : key));
    row.nextElementSibling.querySelector(".openline").append(button);
  }
})();
