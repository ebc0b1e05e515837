"use strict";

// Where an imagined card lands: the steps of the library's `predictive.draw_cells` for one card
// that was not measured, on every chart, with the names of model/physics.py and model/linear.py.
// Works on numbers only; the page around it is whatif.js.
const WhatIfModel = (() => {
  const decoded = (text, Kind) => {
    const letters = atob(text);
    const bytes = new Uint8Array(letters.length);
    for (let k = 0; k < letters.length; k += 1) bytes[k] = letters.charCodeAt(k);
    return new Kind(bytes.buffer);
  };

  // Whole numbers from -512 to 511, four in five bytes: their lower bits, then the upper two each.
  function fromTenBits(bytes) {
    const out = new Int16Array((bytes.length / 5) * 4);
    for (let k = 0; k < out.length; k += 1) {
      const b = (k >> 2) * 5;
      out[k] = (bytes[b + (k & 3)] | (((bytes[b + 4] >> (2 * (k & 3))) & 3) << 8)) - 512;
    }
    return out;
  }

  // log(1 + e^x) and 1 / (1 + e^-x), without overflow.
  const softplus = (x) => (x > 0 ? x + Math.log1p(Math.exp(-x)) : Math.log1p(Math.exp(x)));
  const expit = (x) => (x >= 0 ? 1 / (1 + Math.exp(-x)) : Math.exp(x) / (1 + Math.exp(x)));

  // Make the stored numbers ready: columns of draws, and the parts that no sheet changes.
  function open(data) {
    const { draws, points } = data;
    const codes = fromTenBits(decoded(data.codes, Uint8Array));
    const steps = decoded(data.steps, Float32Array);
    const centers = decoded(data.centers, Float32Array);
    const columns = Array.from(steps, (step, k) => scaled(codes, k * draws, draws, step));
    const model = { ...data, columns, each: draws / points };
    model.logCache0 = data.reference.log_cache ?? -Infinity;
    model.time = new Float64Array(data.stages.length);
    model.time0 = new Float64Array(data.stages.length);
    model.center = (column, point) => centers[column * points + point];
    const side = (name) => data.terms.filter((term) => term.predictor === data.at[name]);
    model.onCeiling = side("ceiling");
    model.onKnee = side("log_p");
    const rest = new Set([...model.onCeiling, ...model.onKnee]);
    model.onGpu = data.terms.filter((term) => !rest.has(term));
    model.views = [...new Set(data.view)];
    model.chartOfView = model.views.map((view) => data.view.indexOf(view));
    model.logCeiling = data.view.map((_, chart) => whole(model, model.onCeiling, chart));
    model.p = data.view.map((_, chart) => whole(model, model.onKnee, chart).map(Math.exp));
    model.residual = openResidual(data.smooth);
    return model;
  }

  function scaled(codes, first, count, step) {
    const out = new Float32Array(count);
    for (let d = 0; d < count; d += 1) out[d] = codes[first + d] * step;
    return out;
  }

  // Values of the draws of terms that belong to a chart, whatever the card.
  function whole(model, terms, chart) {
    const out = new Float64Array(model.draws);
    for (const term of terms) {
      const place = term.first + term.index[chart];
      const column = model.columns[place];
      for (let q = 0; q < model.points; q += 1) {
        const center = model.center(place, q);
        for (let d = q * model.each; d < (q + 1) * model.each; d += 1) out[d] += center + column[d];
      }
    }
    return out;
  }

  // --- The GPU side (physics.gpu_side) ---

  // Return the log GPU rate at linear predictors `at`; fill `slopes` with its derivatives.
  function gpuSide(model, speeds, at, slopes) {
    const { arithmetic: a, traffic: k, request_sharpness: sharpness, at: name } = model;
    const stages = model.stages.length;
    const time = model.time;
    const reference = model.time0;
    for (let j = 0; j < stages; j += 1) {
      time[j] = at[j] + at[stages + j] - speeds.logSpeed[j];
      reference[j] = at[j];
    }
    const loss = Math.exp(at[name.fill]) * speeds.logWidth;
    time[a] += loss;
    const hit = Math.exp(at[name.hit]);
    const set = at[name.working_set];
    const gap = speeds.logSpeed[k] - speeds.logSpeed[a] - at[name.request];
    const cached = speeds.logCache - set - at[name.set_growth];
    const cached0 = model.logCache0 - set;
    const saved = hit * softplus(cached);
    const saved0 = hit * softplus(cached0);
    time[k] += softplus(sharpness * gap) / sharpness - saved;
    reference[k] += softplus(-sharpness * at[name.request]) / sharpness - saved0;
    const logTime = logOfSum(time);
    const logReference = logOfSum(reference);
    if (slopes) {
      for (let j = 0; j < stages; j += 1) {
        slopes[stages + j] = -Math.exp(time[j] - logTime);
        slopes[j] = Math.exp(reference[j] - logReference) + slopes[stages + j];
      }
      const own = -slopes[stages + k];
      const other = Math.exp(reference[k] - logReference);
      slopes[name.offset] = 1;
      slopes[name.fill] = slopes[stages + a] * loss;
      slopes[name.request] =
        own * expit(sharpness * gap) - other * expit(-sharpness * at[name.request]);
      slopes[name.hit] = own * saved - other * saved0;
      slopes[name.set_growth] = -own * hit * expit(cached);
      slopes[name.working_set] = other * hit * expit(cached0) + slopes[name.set_growth];
    }
    return at[name.offset] - logTime + logReference;
  }

  function logOfSum(logTimes) {
    let top = -Infinity;
    for (let j = 0; j < logTimes.length; j += 1) top = Math.max(top, logTimes[j]);
    let total = 0;
    for (let j = 0; j < logTimes.length; j += 1) total += Math.exp(logTimes[j] - top);
    return top + Math.log(total);
  }

  // --- The smooth residual (priors.SmoothPrior) ---

  function openResidual(smooth) {
    const tested = smooth.tested;
    const precision = decoded(smooth.precision, Float64Array);
    const among = tested.map((one) => kernel(smooth, one));
    const planes = tested.map((one) => plane(smooth, one));
    return { ...smooth, precision, among, planes };
  }

  // Matern 5/2 between one point and every tested card.
  function kernel({ tested, length }, point) {
    return tested.map((other) => {
      const squared = other.reduce((sum, one, f) => sum + (one - point[f]) ** 2, 0);
      const distance = Math.sqrt((5 * squared) / point.length) / length;
      return (1 + distance + distance ** 2 / 3) * Math.exp(-distance);
    });
  }

  // Weights of the tested cards in the best plane through them, at a point.
  const plane = ({ plane: rows }, point) =>
    rows[0].map((level, card) => point.reduce((sum, one, f) => sum + one * rows[f + 1][card], level));

  const dot = (a, b) => a.reduce((sum, one, k) => sum + one * b[k], 0);

  // Return the tested cards' weights in the mean at a sheet's features, and the deviation from it.
  function residualAt(residual, features) {
    const point = features.map((one, f) => (one - residual.center[f]) / residual.spread[f]);
    const near = kernel(residual, point);
    const flat = plane(residual, point);
    const beyond = near.map((one, card) => one - dot(flat, residual.among[card]));
    const between = residual.planes.map((own, card) => beyond[card] - dot(beyond, own));
    const cards = between.length;
    const weights = between.map((_, card) =>
      dot(between, residual.precision.subarray(card * cards, (card + 1) * cards)),
    );
    const flatAmong = residual.among.map((own) => dot(flat, own));
    const variance = 1 - 2 * dot(flat, near) + dot(flat, flatAmong) - dot(weights, between);
    return { weights, deviation: Math.sqrt(Math.max(variance, 0)) };
  }

  // --- One card on every chart ---

  // What the sheet says, relative to the reference card.
  function speedsOf(model, sheet) {
    const speed = {
      arithmetic: sheet.shaders * sheet.boost_clock_mhz,
      traffic: sheet.bandwidth_gbs,
      raster: sheet.rops * sheet.boost_clock_mhz,
      fixed: 1,
    };
    const logs = model.stages.map((stage) => Math.log(speed[stage]));
    return {
      features: logs.filter((_, j) => model.stages[j] !== "fixed"),
      logSpeed: logs.map((log, j) => log - model.reference.log_speed[j]),
      logWidth: Math.log(sheet.shaders) - model.reference.log_width,
      logCache: model.uses_cache ? Math.log(sheet.cache_mb) : -Infinity,
    };
  }

  // The terms that act on a card on a chart: column, predictor, and what it is multiplied with.
  // `owners` are indices of what has the effects; a term whose owner has none does not act.
  function acting(model, terms, owners, release, chart) {
    const times = {
      one: 1,
      log_pixels: model.log_pixels[chart],
      release: release - model.reference.release,
    };
    return terms
      .filter((term) => owners[term.owner] >= 0)
      .map((term) => ({
        column: term.first + term.stride * owners[term.owner] + term.index[chart],
        predictor: term.predictor,
        times: times[term.times],
      }));
  }

  const knownOwners = ({ architecture, vendor }) => ({ chart: 0, architecture, vendor });
  const newOwners = ({ architecture, vendor }) => ({
    card: 0,
    architecture: architecture < 0 ? 0 : -1,
    vendor: vendor < 0 ? 0 : -1,
  });

  // Draws of the log GPU rate of a view (linear.linear_gpu_side), effects of what is new included.
  function drawGpu(model, sheet, speeds, strays, chart) {
    const known = acting(model, model.onGpu, knownOwners(sheet), sheet.release, chart);
    const gpu = new Float64Array(model.draws);
    const centers = [];
    const slopes = [];
    for (let q = 0; q < model.points; q += 1) {
      const at = new Float64Array(model.predictors);
      for (const term of known) at[term.predictor] += term.times * model.center(term.column, q);
      centers.push(at);
      slopes.push(new Float64Array(model.predictors));
      gpu.fill(gpuSide(model, speeds, at, slopes[q]), q * model.each, (q + 1) * model.each);
    }
    const add = (term) => {
      const column = model.columns[term.column];
      for (let q = 0; q < model.points; q += 1) {
        const weight = slopes[q][term.predictor] * term.times;
        for (let d = q * model.each; d < (q + 1) * model.each; d += 1) gpu[d] += weight * column[d];
      }
    };
    known.forEach(add);
    const missed = meanMissed(model, speeds, known, centers, gpu);
    acting(model, model.new, newOwners(sheet), sheet.release, chart).forEach(add);
    for (let d = 0; d < model.draws; d += 1) gpu[d] += missed + strays[d];
    return gpu;
  }

  // What the linear part misses, on the average of the paired draws.
  function meanMissed(model, speeds, known, centers, linear) {
    let missed = 0;
    for (const d of model.pairs) {
      const at = centers[Math.floor(d / model.each)].slice();
      for (const term of known) at[term.predictor] += term.times * model.columns[term.column][d];
      const beyond = gpuSide(model, speeds, at, null) - linear[d];
      if (Number.isFinite(beyond)) missed += beyond;
    }
    return missed / Math.max(model.pairs.length, 1);
  }

  // Draws of the smooth residual of a card.
  function drawStrays(model, speeds) {
    const { weights, deviation } = residualAt(model.residual, speeds.features);
    const out = model.columns[model.residual.own].map((one) => deviation * one);
    weights.forEach((weight, card) => {
      const column = model.columns[model.residual.first + card];
      for (let d = 0; d < model.draws; d += 1) out[d] += weight * column[d];
    });
    return out;
  }

  // Return, for every chart, draws of the log rate and the chance of sitting at the ceiling.
  //
  // sheet: shaders, boost_clock_mhz, bandwidth_gbs, cache_mb, rops, release; architecture and
  // vendor as their index among the tested ones, -1 for a new one.
  function drawCells(model, sheet) {
    const speeds = speedsOf(model, sheet);
    const strays = drawStrays(model, speeds);
    const gpus = new Map(
      model.views.map((view, k) => [
        view,
        drawGpu(model, sheet, speeds, strays, model.chartOfView[k]),
      ]),
    );
    return model.view.map((view, chart) => underCeiling(model, gpus.get(view), chart));
  }

  // The smooth minimum of both sides (physics.under_ceiling), noise included.
  function underCeiling(model, gpu, chart) {
    const [ceiling, p] = [model.logCeiling[chart], model.p[chart]];
    const noiseGpu = model.columns[model.noise_gpu + chart];
    const noise = model.columns[model.noise + chart];
    const logRate = new Float64Array(model.draws);
    let above = 0;
    for (let d = 0; d < model.draws; d += 1) {
      const gap = gpu[d] + noiseGpu[d] - ceiling[d];
      if (gap > 0) above += 1;
      logRate[d] = ceiling[d] - softplus(-p[d] * gap) / p[d] + noise[d];
    }
    return { logRate, pCeiling: above / model.draws };
  }

  // Quantiles by linear interpolation, as numpy takes them.
  function quantiles(draws, shares) {
    const sorted = Float64Array.from(draws).sort();
    return shares.map((share) => {
      const place = share * (sorted.length - 1);
      const below = Math.floor(place);
      const next = sorted[Math.min(below + 1, sorted.length - 1)];
      return sorted[below] + (place - below) * (next - sorted[below]);
    });
  }

  // Lower end, median and upper end of a range, in frames per second.
  const rangeOf = (logRates, level) =>
    quantiles(logRates, [(1 - level) / 2, 0.5, (1 + level) / 2]).map(Math.exp);

  // --- What is refused, and what an estimate rests on (answers/sheets.py) ---

  // By which factor each speed lies outside the tested span, where it does.
  function beyondTested(data, sheet) {
    const speeds = {
      shader_rate: sheet.shaders * sheet.boost_clock_mhz,
      bandwidth_gbs: sheet.bandwidth_gbs,
    };
    return data.spans
      .map(({ column, words, tested_low: low, tested_high: high }) => ({
        words,
        factor: Math.max(speeds[column] / high, low / speeds[column]),
      }))
      .filter(({ factor }) => factor > data.slack);
  }

  function basisWords(data, sheet, kind, gaps) {
    const beyond = beyondTested(data, sheet);
    const parts = beyond.map(({ words, factor }) => `${words} ${factor.toFixed(2)}x outside`);
    let text = kind.basis;
    if (parts.length) text += `; beyond the tested cards (${parts.join(", ")})`;
    if (gaps.length) text += `; ${gaps.join(" and ")} not on the sheet, taken as usual for its shaders`;
    return text;
  }

  // Why the card is refused on each chart, or "".
  function reasons(data, sheet) {
    const far = beyondTested(data, sheet).find(({ factor }) => factor > data.farthest);
    return data.charts.map(({ needs_more_than_gb: need }) => {
      if (far) {
        const factor = far.factor.toFixed(1);
        return `${far.words} is ${factor}x outside the tested cards; nothing is known that far out`;
      }
      if (sheet.memory_gb > need) return "";
      return `${sheet.memory_gb} GB: cards with ${need} GB fell for lack of memory here`;
    });
  }

  // --- The answer ---

  // The sheet with values of specs and a kind: an architecture's year, if tested, is known.
  const sheetOf = (kind, values) => ({
    ...values,
    architecture: kind.architecture_index,
    vendor: kind.vendor_index,
    release: kind.architecture_index < 0 ? values.release_year : kind.release_year,
  });

  // Return where a card lands on every chart, and over the charts of a platform that count.
  function place(data, model, sheet) {
    const why = reasons(data, sheet);
    if (why.every((reason) => reason)) return { charts: why.map((reason) => ({ reason })), cells: [] };
    const cells = drawCells(model, sheet);
    const charts = cells.map((cell, chart) => {
      if (why[chart]) return { reason: why[chart] };
      const [lower, median, upper] = rangeOf(cell.logRate, data.level);
      return { reason: "", lower, median, upper, pCeiling: cell.pCeiling };
    });
    return { charts, cells };
  }

  // The geometric mean over the charts of a platform that are not refused and below the ceiling.
  function overall(data, { charts, cells }, platform) {
    const used = charts.flatMap((chart, k) =>
      data.charts[k].platform === platform && !chart.reason && chart.pCeiling < data.at_ceiling
        ? [k]
        : [],
    );
    if (!used.length) return { used };
    const mean = new Float64Array(cells[used[0]].logRate.length);
    for (const k of used) {
      const rates = cells[k].logRate;
      for (let d = 0; d < mean.length; d += 1) mean[d] += rates[d] / used.length;
    }
    const [lower, median, upper] = rangeOf(mean, data.level);
    return { used, lower, median, upper, others: others(data, charts, used, median) };
  }

  // Where measured cards are beside that mean: as far off as on the charts that both have, the
  // card's medians against their rates. Cards with less than half of the charts are left out.
  function others(data, charts, used, median) {
    return data.measured.flatMap(({ card, rates }) => {
      const both = used.filter((k) => rates[k] !== null);
      if (2 * both.length < used.length) return [];
      const leads = both.map((k) => Math.log(charts[k].median / rates[k]));
      const lead = leads.reduce((sum, one) => sum + one, 0) / leads.length;
      return [{ card, rate: median * Math.exp(-lead) }];
    });
  }

  return { open, sheetOf, place, overall, basisWords };
})();
