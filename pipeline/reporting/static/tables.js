// Any table of the page to the clipboard or into a CSV file, as numbers and words that a spreadsheet takes as they are.
(() => {
  "use strict";
  const decimal = document.documentElement.dataset.decimal;
  // What a page writes as a number: with a narrow space between thousands and a true minus.
  const plain = (text) => {
    const tight = text.replace(/(\d)[\u202f\u00a0'.,](?=\d{3}(?!\d))/g, (all, digit) => (all.endsWith(decimal) ? all : digit)).replace(/\u2212/g, "-");
    const number = (decimal === "." ? tight : tight.replace(decimal, ".")).replace(/^\+(?=[\d.])/, "");
    if (/^-?\d+(\.\d+)?$/.test(number)) return number;
    // A spreadsheet takes a cell that begins so for a formula.
    return /^[=+\-@\t\r]/.test(tight) ? `'${tight}` : tight;
  };
  const words = (cell) => {
    const copy = cell.cloneNode(true);
    for (const extra of copy.querySelectorAll("button, svg, .noprint")) extra.remove();
    for (const line of copy.querySelectorAll(".note, .of, br")) line.before(" ");
    return plain(copy.textContent.replace(/[ \n\u00a0]+/g, " ").trim());
  };
  // Rows as they stand, a cell over several rows or columns repeated in each row and once a column.
  const rows = (table) => {
    const out = [];
    const held = new Map();
    for (const row of table.rows) {
      if (row.classList.contains("opened") || row.classList.contains("group")) continue;
      const line = [];
      const put = (text) => line.push(text);
      const carry = () => {
        for (let kept = held.get(line.length); kept; kept = held.get(line.length)) {
          if (--kept.rows === 0) held.delete(line.length);
          put(kept.text);
        }
      };
      for (const cell of row.cells) {
        carry();
        const text = words(cell);
        if (cell.rowSpan > 1) held.set(line.length, { text, rows: cell.rowSpan - 1 });
        put(text);
        for (let k = 1; k < cell.colSpan; k++) put("");
      }
      carry();
      out.push(line);
    }
    return out;
  };
  const quoted = (text) => (/[",\n\r]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text);
  const csv = (table) => rows(table).map((line) => line.map(quoted).join(",")).join("\r\n") + "\r\n";
  const tabbed = (table) => rows(table).map((line) => line.map((text) => text.replace(/[\t\n\r]/g, " ")).join("\t")).join("\n");

  const copy = async (table, button) => {
    const text = tabbed(table);
    let done = true;
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      const area = document.createElement("textarea");
      area.value = text;
      document.body.append(area);
      area.select();
      done = document.execCommand("copy");
      area.remove();
    }
    button.textContent = done ? "Copied" : "Not copied";
    setTimeout(() => { button.textContent = "Copy"; }, 2000);
  };
  const save = (table, name) => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff" + csv(table)], { type: "text/csv;charset=utf-8" }));
    link.download = `${name.toLowerCase().replace(/[^a-z0-9]+/g, "-").slice(0, 60)}.csv`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  };
  for (const region of document.querySelectorAll(".scroll")) {
    const table = region.querySelector("table");
    if (!table) continue;
    const name = region.getAttribute("aria-label");
    const tools = document.createElement("p");
    tools.className = "tools noprint";
    const button = (text, said, does) => {
      const made = document.createElement("button");
      made.type = "button";
      made.textContent = text;
      made.setAttribute("aria-label", `${said}: ${name}`);
      made.addEventListener("click", () => does(made));
      tools.append(made);
    };
    button("Copy", "Copy table", (made) => copy(table, made));
    button("Save as CSV", "Save table as CSV", () => save(table, name));
    region.after(tools);
  }
})();
