"use strict";
// Lets the reader sort and filter the long tables. Without it every row is there as written.

(() => {
  for (const table of document.querySelectorAll("table.tools")) {
    const rows = [...table.tBodies[0].rows];
    const headings = [...table.tHead.rows[0].cells];
    headings.forEach((heading, place) => makeSortable(table, rows, headings, heading, place));
    makeFilter(table, rows, headings);
  }

  // What a cell is sorted by: the number at its begin in a column of numbers, else its text.
  function sortKey(table, row, place) {
    const text = row.cells[place].textContent.trim();
    if (!table.classList.contains(`n${place + 1}`)) return text;
    const found = /^[<>]?([+−-]?[\d,]*\.?\d+)/.exec(text);
    return found ? Number(found[1].replace("−", "-").replaceAll(",", "")) : text;
  }

  // Numbers before texts, so that gaps come last, whichever way round.
  function compare(a, b, sign) {
    if (typeof a !== typeof b) return typeof a === "number" ? -1 : 1;
    return sign * (typeof a === "number" ? a - b : a.localeCompare(b, "en", { numeric: true }));
  }

  function makeSortable(table, rows, headings, heading, place) {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...heading.childNodes);
    heading.append(button);
    button.addEventListener("click", () => {
      const up = heading.getAttribute("aria-sort") !== "ascending";
      headings.forEach((other) => other.removeAttribute("aria-sort"));
      heading.setAttribute("aria-sort", up ? "ascending" : "descending");
      const keyed = rows.map((row) => [sortKey(table, row, place), row]);
      keyed.sort((one, other) => compare(one[0], other[0], up ? 1 : -1));
      table.tBodies[0].append(...keyed.map((pair) => pair[1]));
    });
  }

  function makeFilter(table, rows, headings) {
    const bar = document.createElement("div");
    bar.className = "find";
    const search = document.createElement("input");
    search.type = "search";
    bar.append(labelled("rows with the words", search));
    const choices = headings
      .map((heading, place) => ({ heading, place }))
      .filter(({ heading }) => heading.dataset.choose !== undefined)
      .map(({ heading, place }) => ({ place, select: choice(rows, place, heading, bar) }));
    const count = document.createElement("output");
    bar.append(count);
    table.closest(".scroll").before(bar);

    const texts = rows.map((row) => row.textContent.toLowerCase());
    const show = () => {
      const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      rows.forEach((row, n) => {
        const kept = words.every((word) => texts[n].includes(word)) &&
          choices.every(({ place, select }) => !select.value || label(row, place) === select.value);
        row.hidden = !kept;
        shown += kept ? 1 : 0;
      });
      count.textContent = `${shown} of ${rows.length} rows`;
    };
    bar.addEventListener("input", show);
    show();
  }

  // The text of a cell without its sign.
  function label(row, place) {
    const cell = row.cells[place].cloneNode(true);
    cell.querySelectorAll("[aria-hidden]").forEach((sign) => sign.remove());
    return cell.textContent.trim();
  }

  function choice(rows, place, heading, bar) {
    const select = document.createElement("select");
    select.append(new Option("all", ""));
    for (const text of [...new Set(rows.map((row) => label(row, place)))].sort()) {
      select.append(new Option(text, text));
    }
    bar.append(labelled(heading.textContent, select));
    return select;
  }

  function labelled(words, control) {
    const holder = document.createElement("label");
    holder.append(words, control);
    return holder;
  }
})();
