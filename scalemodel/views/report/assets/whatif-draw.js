// The live figure: a row for the mean and one for each resolution of a scene, with the imagined
// card's range among the measured cards, and the ceiling. Colours are the style's.
const WhatIfDraw = (() => {
  const SVG = "http://www.w3.org/2000/svg";
  // Heights of a row, of the gap between the mean and the scene, of the axis; sizes of marks.
  const [ROW, TOP, GAP, FOOT, DOT, BAR] = [64, 6, 22, 30, 4, 13];
  const NARROW = 560;

  function put(parent, tag, attributes, text) {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    parent.append(element);
    return element;
  }

  // Round numbers on a log scale, as many as fit.
  function ticks(low, high, most) {
    for (const steps of [[1, 1.5, 2, 3, 4, 5, 6, 8], [1, 2, 3, 5], [1, 2, 5], [1, 3], [1]]) {
      const found = [];
      for (let power = -1; power < 5; power += 1) {
        found.push(...steps.map((step) => step * 10 ** power));
      }
      const inside = found.filter((one) => one >= low && one <= high);
      if (inside.length <= most) return inside;
    }
    return [];
  }

  // The scale of all rows: rates to places.
  function scaleOf(rows, ceiling, left, right) {
    const rates = rows.flatMap((row) => [
      ...row.others.map((one) => one.rate),
      ...(row.reason ? [] : [row.lower, row.upper]),
    ]);
    rates.push(...[ceiling.low, ceiling.high].filter((one) => one > 0));
    const [low, high] = [Math.min(...rates) / 1.06, Math.max(...rates) * 1.06];
    const per = (right - left) / Math.log(high / low);
    return { low, high, at: (rate) => left + Math.log(rate / low) * per };
  }

  // Draw rows { name, reason, lower, median, upper, words, others: [{ card, rate }] } into the svg
  // element, of the given width: the mean, then the rows of a scene, which the ceiling belongs to.
  function figure(element, width, rows, ceiling, title) {
    const svg = element.querySelector("g");
    svg.replaceChildren();
    const narrow = width < NARROW;
    const [left, right] = [narrow ? 12 : 110, width - 16];
    const height = TOP + ROW * rows.length + GAP + FOOT;
    element.setAttribute("viewBox", `0 0 ${width} ${height}`);
    element.setAttribute("height", height);
    element.querySelector("title").textContent = title;
    const scale = scaleOf(rows, ceiling, left, right);
    drawAxis(svg, scale, width, height);
    drawCeiling(svg, ceiling, scale, [left, right], [TOP + ROW + GAP, height - FOOT]);
    rows.forEach((row, k) => {
      const y = TOP + ROW * (k + 0.5) + (k ? GAP : 0);
      drawRow(svg, row, y, scale, { left, right, narrow });
    });
  }

  function drawAxis(svg, scale, width, height) {
    const bottom = height - FOOT;
    for (const tick of ticks(scale.low, scale.high, Math.floor(width / 70))) {
      const x = scale.at(tick);
      put(svg, "line", { class: "wi-grid", x1: x, x2: x, y1: TOP, y2: bottom });
      put(svg, "text", { class: "wi-tick", x, y: bottom + 14 }, String(tick));
    }
    const end = { class: "wi-tick wi-end", x: width - 4, y: height - 3 };
    put(svg, "text", end, "frames per second");
  }

  function drawCeiling(svg, ceiling, scale, [left, right], [top, bottom]) {
    if (!(ceiling.low > 0)) return;
    const [start, end] = [scale.at(ceiling.low), ceiling.high ? scale.at(ceiling.high) : right];
    const kind = ceiling.high ? "wi-band" : "wi-band wi-open";
    const size = { x: start, y: top, width: Math.max(end - start, 2), height: bottom - top };
    put(svg, "rect", { class: kind, ...size });
    const x = scale.at(ceiling.rate ?? ceiling.low);
    put(svg, "line", { class: "wi-ceiling", x1: x, x2: x, y1: top, y2: bottom });
    const place = x > (left + right) / 2 ? { class: "wi-end", x: end } : { x: start };
    const words = { ...place, class: `wi-ceiling-words ${place.class ?? ""}`, y: top - 5 };
    put(svg, "text", words, ceiling.words);
  }

  function drawRow(svg, row, y, scale, { left, right, narrow }) {
    const name = narrow ? { x: left, y: y - 20 } : { x: 4, y: y + 4 };
    put(svg, "text", { class: "wi-row", ...name }, row.name);
    put(svg, "line", { class: "wi-line", x1: left, x2: right, y1: y, y2: y });
    for (const { rate } of row.others) {
      put(svg, "circle", { class: "wi-dot", cx: scale.at(rate), cy: y, r: DOT });
    }
    if (row.reason) {
      const shown = { class: "wi-refused", x: left, y: y + 20 };
      put(svg, "text", shown, "no estimate: see the table");
      return;
    }
    const [low, x, high] = [row.lower, row.median, row.upper].map(scale.at);
    const bar = { x: low, y: y - BAR / 2, width: Math.max(high - low, 4), height: BAR };
    put(svg, "rect", { class: "wi-range", ...bar });
    put(svg, "line", { class: "wi-median", x1: x, x2: x, y1: y - BAR / 2 - 3, y2: y + BAR / 2 + 3 });
    drawWords(svg, row, y, x, { left, right, narrow });
    drawNeighbours(svg, row, y, x, scale, { left, right });
  }

  // What the card does, above it; on a narrow figure clear of the row's name.
  function drawWords(svg, row, y, x, { left, right, narrow }) {
    const half = 3.6 * row.words.length;
    const clear = narrow ? left + 7.4 * row.name.length + 14 : left;
    const place = Math.min(Math.max(x, clear + half), right - half);
    put(svg, "text", { class: "wi-words", x: place, y: y - 13 }, row.words);
  }

  // Name the nearest measured card on either side, below the row and clear of each other.
  function drawNeighbours(svg, row, y, x, scale, { left, right }) {
    const { below, above } = neighbours(row);
    const long = (one) => 6.1 * one.card.length;
    const name = (one, place, kind) => {
      const at = scale.at(one.rate);
      put(svg, "line", { class: "wi-pointer", x1: at, x2: at, y1: y + DOT, y2: y + 14 });
      put(svg, "text", { class: `wi-near ${kind}`, x: place, y: y + 25 }, one.card);
    };
    let most = right;
    if (above) {
      const start = Math.min(Math.max(scale.at(above.rate) - 4, x + 3), right - long(above));
      name(above, start, "");
      most = start - 7;
    }
    if (below) {
      const end = Math.max(Math.min(scale.at(below.rate) + 4, x - 3), left + long(below));
      name(below, Math.min(end, most), "wi-end");
    }
  }

  // The nearest measured card on either side of a row's median.
  function neighbours({ others, median }) {
    const sorted = [...others].sort((a, b) => a.rate - b.rate);
    const slower = sorted.filter((one) => one.rate <= median);
    return { below: slower[slower.length - 1], above: sorted.find((one) => one.rate > median) };
  }

  return { figure, neighbours };
})();
