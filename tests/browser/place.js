// Place imagined cards with the page's arithmetic, outside of a page.
//
//   node place.js ARITHMETIC DATA SHEETS
//
// ARITHMETIC is whatif-model.js, DATA what the panel reads, SHEETS a list of { kind, values }.
"use strict";

const fs = require("node:fs");
const [source, data, sheets] = process.argv.slice(2).map((path) => fs.readFileSync(path, "utf8"));
const WhatIfModel = new Function(`${source}\nreturn WhatIfModel;`)();
const panel = JSON.parse(data);
const model = WhatIfModel.open(panel.model);
const placed = JSON.parse(sheets).map(({ kind, values }) => {
  const sheet = WhatIfModel.sheetOf(panel.kinds[kind], values);
  const begin = process.cpuUsage();
  const answer = WhatIfModel.place(panel, model, sheet);
  const overall = panel.platforms.map((one) => WhatIfModel.overall(panel, answer, one));
  const { user, system } = process.cpuUsage(begin);
  const basis = WhatIfModel.basisWords(panel, sheet, panel.kinds[kind], []);
  return { charts: answer.charts, overall, basis, milliseconds: (user + system) / 1000 };
});
process.stdout.write(JSON.stringify(placed));
