// The panel around the arithmetic: controls, the sentence, the figure and the tables.
// Every string from the bench goes through textContent.
(() => {
  const PAUSE = 600; // milliseconds without a move before the sentence is read aloud
  const find = (id) => document.getElementById(`what-if-${id}`);
  const panel = find("panel");
  if (!panel) return;
  const data = JSON.parse(find("data").textContent);
  const state = { values: {}, kind: 0, start: data.start };
  let model = null;
  let asked = false;
  let saying = 0;

  // --- Words ---

  const rateWords = (rate) => {
    if (rate < 99.95) return rate.toFixed(1);
    return Math.round(rate).toLocaleString("en-US");
  };
  const rangeWords = (one) => `${rateWords(one.lower)}–${rateWords(one.upper)}`;
  const leadWords = (lead) => `${(Math.abs(lead) * 100).toFixed(1)}% ${lead < 0 ? "behind" : "ahead of"}`;
  const chanceWords = (p) => (p < 0.01 ? "<0.01" : p > 0.99 ? ">0.99" : p.toFixed(2));
  const counted = (count, noun) => `${count} ${noun}${count === 1 ? "" : "s"}`;
  const levelWords = `${+(100 * data.level).toPrecision(10)}%`;

  function kindWords({ architecture, vendor }) {
    const maker = vendor || "a new vendor";
    return architecture ? `${architecture}, ${maker}` : `new architecture of ${maker}`;
  }

  function ceilingWords({ ceiling_rate: rate, ceiling_low: low, ceiling_high: high }) {
    if (rate === null) return low === null ? "" : `ceiling above ${rateWords(low)}`;
    return `ceiling ${rateWords(rate)} (${rateWords(low)}–${rateWords(high)})`;
  }

  // --- Controls ---

  const option = (text, value) => new Option(text, value);

  function fillSelects() {
    const groups = [
      ["Unreleased", data.starts.filter((one) => !one.measured)],
      ["With the sheet of a tested card", data.starts.filter((one) => one.measured)],
    ];
    for (const [label, starts] of groups.filter(([, found]) => found.length)) {
      const group = document.createElement("optgroup");
      group.label = label;
      group.append(...starts.map((one) => option(one.card, data.starts.indexOf(one))));
      find("start").append(group);
    }
    find("kind").append(...data.kinds.map((kind, k) => option(kindWords(kind), k)));
    find("scene").append(...data.scenes.map((scene, k) => option(scene, k)));
    find("platform").append(...data.platforms.map((platform, k) => option(platform, k)));
  }

  function prepareSlider(spec) {
    const [slider, number] = [find(spec.spec), find(`${spec.spec}-number`)];
    Object.assign(slider, { min: spec.low, max: spec.high, step: spec.step });
    const share = (value) => (value - spec.low) / (spec.high - spec.low);
    slider.parentElement.style.setProperty("--from", share(spec.tested_low));
    slider.parentElement.style.setProperty("--to", share(spec.tested_high));
    slider.addEventListener("input", () => move(spec, Number(slider.value)));
    number.addEventListener("input", () => {
      const value = Number(number.value);
      const sound = number.value !== "" && (value > 0 || (value === 0 && spec.spec === "cache_mb"));
      number.setAttribute("aria-invalid", String(!sound));
      if (sound) move(spec, value, number);
    });
  }

  function move(spec, value, from) {
    state.values[spec.spec] = value;
    show(spec, from);
    update();
  }

  // Show a spec's value in its slider and its number, but for the one it is being typed in.
  function show(spec, from) {
    const value = state.values[spec.spec];
    const outside = value < spec.tested_low || value > spec.tested_high;
    const [slider, number] = [find(spec.spec), find(`${spec.spec}-number`)];
    slider.value = value;
    const words = `${+value.toPrecision(6)} ${spec.unit}`.trim();
    slider.setAttribute("aria-valuetext", outside ? `${words}, beyond the tested cards` : words);
    if (number !== from) number.value = +value.toPrecision(6);
    number.removeAttribute("aria-invalid");
    find(`${spec.spec}-row`).classList.toggle("wi-beyond", outside);
  }

  function load(start) {
    const sheet = data.starts[start];
    state.start = start;
    state.kind = sheet.kind;
    for (const { spec } of data.specs) state.values[spec] = sheet[spec];
    state.values.release_year = sheet.release_year ?? data.kinds[sheet.kind].release_year;
    find("start").value = start;
    find("kind").value = state.kind;
    data.specs.forEach((spec) => show(spec));
    update();
  }

  // The year matters of a new architecture only: of a tested one it is known.
  const isNew = () => data.kinds[state.kind].architecture_index < 0;

  function choose(kind) {
    state.kind = kind;
    state.values.release_year = data.kinds[kind].release_year;
    data.specs.filter(({ spec }) => spec === "release_year").forEach((spec) => show(spec));
    update();
  }

  // --- The answer, shown ---

  function update() {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => {
      asked = false;
      render();
    });
  }

  function render() {
    model ??= WhatIfModel.open(data.model);
    const year = find("release_year-row");
    if (year) year.hidden = !isNew();
    const sheet = WhatIfModel.sheetOf(data.kinds[state.kind], state.values);
    const answer = WhatIfModel.place(data, model, sheet);
    const platform = data.platforms[find("platform").value];
    const mean = WhatIfModel.overall(data, answer, platform);
    const scene = data.scenes[find("scene").value];
    const shown = data.charts.flatMap((chart, k) =>
      chart.scene === scene && chart.platform === platform ? [k] : [],
    );
    const start = data.starts[state.start];
    const gaps = start.gaps.filter((gap) => state.values[gap] === start[gap]);
    const basis = WhatIfModel.basisWords(data, sheet, data.kinds[state.kind], gaps);
    find("basis").textContent = `Rests on: ${basis}.`;
    find("file").href = fileOf(answer, basis);
    find("over").textContent = overWords(answer, mean, platform);
    say(resultWords(mean, platform));
    draw(answer, mean, shown, scene);
    tabulate(answer, mean);
  }

  function resultWords(mean, platform) {
    if (!mean.used.length) return `No estimate over the charts of ${platform}.`;
    const { below, above } = WhatIfDraw.neighbours(mean);
    const near = [below, above]
      .filter(Boolean)
      .map(({ card, rate }) => `${leadWords(mean.median / rate - 1)} ${card}`);
    const where = near.length ? `: ${near.join(", ")}` : "";
    return `${rateWords(mean.median)} fps (${rangeWords(mean)}) on ${platform}${where}.`;
  }

  function overWords(answer, mean, platform) {
    const here = answer.charts.filter((_, k) => data.charts[k].platform === platform);
    const refused = here.filter((chart) => chart.reason);
    const bound = here.length - refused.length - mean.used.length;
    const left = [
      bound ? `${bound} at the ceiling` : "",
      refused.length ? `${refused.length} refused (${refused[0].reason})` : "",
    ].filter(Boolean);
    if (!mean.used.length) return `No chart counts: ${left.join(", ")}.`;
    const out = left.length ? `; left out: ${left.join(", ")}` : "";
    const over = counted(mean.used.length, "chart");
    return `Geometric mean of ${over} below the ceiling, ${levelWords} range${out}.`;
  }

  // Show at once; have it read aloud when the moves pause.
  function say(text) {
    find("result").textContent = text;
    clearTimeout(saying);
    saying = setTimeout(() => {
      find("said").textContent = text;
    }, PAUSE);
  }

  function draw(answer, mean, shown, scene) {
    const row = (one, name, others) => ({
      name,
      others,
      reason: one.reason || "",
      ...one,
      words: one.lower === undefined ? "" : `${rateWords(one.median)} (${rangeWords(one)})`,
    });
    const over = mean.used.length ? mean : { reason: "nothing counts" };
    const rows = [row(over, `mean of ${mean.used.length}`, mean.others ?? [])];
    for (const k of shown) {
      const others = data.measured.flatMap(({ card, rates }) =>
        rates[k] === null ? [] : [{ card, rate: rates[k] }],
      );
      rows.push(row(answer.charts[k], data.charts[k].resolution, others));
    }
    const chart = data.charts[shown[0]] ?? {};
    const ceiling = {
      rate: chart.ceiling_rate,
      low: chart.ceiling_low,
      high: chart.ceiling_high,
      words: chart.platform ? ceilingWords(chart) : "",
    };
    const svg = find("figure");
    const width = Math.max(svg.parentElement.clientWidth, 280);
    WhatIfDraw.figure(svg, width, rows, ceiling, `Where the card lands in ${scene}`);
  }

  // One row a chart; the rows are made once.
  const lines = [];

  function makeTable() {
    for (const chart of data.charts) {
      const row = document.createElement("tr");
      const head = document.createElement("th");
      head.scope = "row";
      head.textContent = chart.scene;
      const cells = Array.from({ length: 6 }, () => document.createElement("td"));
      cells[0].textContent = chart.resolution;
      cells[1].textContent = chart.platform;
      row.append(head, ...cells);
      find("charts").append(row);
      lines.push(cells.slice(2));
    }
  }

  function tabulate(answer, mean) {
    answer.charts.forEach((chart, k) => {
      const [median, range, ceiling, note] = lines[k];
      const known = !chart.reason;
      const keep = (cell, value) => {
        if (known) cell.dataset.value = value;
        else delete cell.dataset.value;
      };
      median.textContent = known ? rateWords(chart.median) : "–";
      range.textContent = known ? rangeWords(chart) : "–";
      ceiling.textContent = known ? chanceWords(chart.pCeiling) : "–";
      keep(median, chart.median);
      keep(range, `${chart.lower} ${chart.upper}`);
      keep(ceiling, chart.pCeiling);
      const used = known && chart.pCeiling < data.at_ceiling;
      note.textContent = chart.reason || (used ? "counts in the mean" : "left out: at the ceiling");
    });
  }

  // The card on every chart as CSV, with the columns of `predict`.
  function fileOf(answer, basis) {
    const names = ["card", "platform", "game", "preset", "resolution", "metric", "level"];
    names.push("lower", "median", "upper", "p_ceiling", "basis", "reason");
    const card = `imagined, from ${data.starts[state.start].card}`;
    const { metric_name: metric, level } = data;
    const table = answer.charts.map((chart, k) => {
      const row = { ...data.charts[k], reason: chart.reason, card, metric, level, basis };
      if (!chart.reason) {
        for (const end of ["lower", "median", "upper"]) row[end] = chart[end].toFixed(2);
        row.p_ceiling = chart.pCeiling.toFixed(3);
      }
      return names.map((name) => quoted(row[name] ?? ""));
    });
    const text = [names, ...table].map((row) => `${row.join(",")}\n`).join("");
    return `data:text/csv;charset=utf-8,${encodeURIComponent(text)}`;
  }

  const quoted = (value) => {
    const text = String(value);
    return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };

  // --- Begin ---

  fillSelects();
  data.specs.forEach(prepareSlider);
  makeTable();
  find("start").addEventListener("change", (event) => load(Number(event.target.value)));
  find("again").addEventListener("click", () => load(state.start));
  find("kind").addEventListener("change", (event) => choose(Number(event.target.value)));
  for (const id of ["scene", "platform"]) find(id).addEventListener("change", update);
  new ResizeObserver(update).observe(find("figure").parentElement);
  panel.hidden = false;
  load(data.start);
})();
