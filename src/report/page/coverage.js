// What is sharp: each frame's depth of field beside the subject's depth, and the range that is wanted.

// Share of the subject between two positions, by count of tiles.
function countBetween(subject, low, high) {
  let count = 0;
  for (const q of subject) if (q > low && q < high) ++count;
  return count;
}

// Standard normal distribution: Abramowitz and Stegun, 26.2.17 (1964), to 7.5e-8, from memory.
function normal(x) {
  const t = 1 / (1 + 0.2316419 * Math.abs(x));
  const tail = (Math.exp(-x * x / 2) / Math.sqrt(2 * Math.PI)) *
    t * (0.31938153 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))));
  return x > 0 ? 1 - tail : tail;
}

// As the program decides them: coverage.h.
const leastShare = 0.002, gapShare = 0.01, sure = 0.95, endShare = 0.02;

// Neighbours of these frames between which some of the subject is sharp in neither.
function gapsOf(burst, sorted, subject) {
  const gaps = [];
  for (let i = 1; i < sorted.length; ++i) {
    const [lower, upper] = [sorted[i - 1], sorted[i]];
    const missing = countBetween(subject, lower.q + burst.limit, upper.q - burst.limit);
    if (missing === 0 || missing / subject.length < leastShare) continue;
    gaps.push({ lower, upper, share: missing / subject.length, soft: isSoft(burst, lower, upper, missing / subject.length) });
  }
  return gaps;
}

function isSoft(burst, lower, upper, share) {
  const told = burst.report.gaps.find((gap) =>
    [lower.file, upper.file].includes(gap.after) && [lower.file, upper.file].includes(gap.before));
  if (told) return share < gapShare || (told.soft && !(told.subject_share < gapShare));
  const width = upper.q - lower.q;
  const sd = Math.hypot(lower.focus_sd_px ?? 0, upper.focus_sd_px ?? 0, (burst.report.scale_sd ?? 0) * width);
  return share < gapShare || normal((width - burst.step) / Math.max(sd, 1e-6)) < sure;
}

// What the wanted range has and lacks. Frames of two poses do not go together.
function judge(burst, range) {
  const subject = burst.subject.filter((q) => q >= range.low && q <= range.high);
  const poses = [...new Set(burst.sorted.map((frame) => frame.pose))].sort((a, b) => a - b);
  const judged = poses.map((pose) => {
    const sorted = burst.sorted.filter((frame) => frame.pose === pose);
    const gaps = gapsOf(burst, sorted, subject);
    const outside = (low, high) => subject.length && countBetween(subject, low, high) / subject.length;
    const open = [outside(-Infinity, sorted[0].q - burst.limit),
                  outside(sorted[sorted.length - 1].q + burst.limit, Infinity)];
    const lacking = gaps.filter((gap) => !gap.soft);
    const sharp = subject.filter((q) => sorted.some((f) => Math.abs(f.q - q) <= burst.limit)).length;
    return { pose, sorted, gaps, lacking, open, share: subject.length ? sharp / subject.length : 0,
             complete: lacking.length === 0 && open.every((share) => share < endShare) };
  });
  judged.sort((a, b) => b.complete - a.complete || b.share - a.share || a.pose - b.pose);
  return { subject, poses: judged.length, best: judged[0] };
}

function words(burst, verdict, whole) {
  if (!verdict.best || verdict.subject.length === 0) return "Nothing of the subject lies there.";
  const { best } = verdict;
  const without = verdict.poses > 1
    ? ` Leave out ${listOfFrames(burst, burst.sorted.filter((f) => f.pose !== best.pose).map((f) => f.k).sort((a, b) => a - b))}.`
    : "";
  if (best.complete) {
    const soft = best.gaps.length;
    return `Good: every depth of it is sharp${soft ? `, but for ${soft} soft place${soft > 1 ? "s" : ""}` : ""}.${without}`;
  }
  const between = best.lacking.map((gap) => {
    const [a, b] = [gap.lower, gap.upper].sort((x, y) => x.k - y.k);
    return `between ${a.label} and ${b.label}`;
  });
  if (best.open.some((share) => share >= endShare)) between.push(whole ? "beyond an end of the sweep" : "beyond the frames of one pose");
  return `Not yet: nothing sharp ${between.join(", ")}.${verdict.poses > 1 ? " A part is elsewhere in the other frames." : ""}`;
}

function coveragePart(burst) {
  if (burst.sorted.length < 2 || burst.subject.length === 0)
    return part("depth", "What is sharp", make("p", {}, "Where the frames focus is not known well enough to draw it."));
  const whole = burst.page.stack;
  const stops = burst.sorted;
  const chosen = { low: 0, high: stops.length - 1, whole: true };
  const range = () => chosen.whole && whole
    ? { low: whole.low, high: whole.high }
    : { low: stops[chosen.low].q, high: stops[chosen.high].q };
  const plan = stackPanel(burst);
  const said = make("p", { class: "wanted", "aria-live": "polite" });
  const reset = make("button", { type: "button", class: "small", hidden: true, onclick: () => choose(0, stops.length - 1, true) }, "Whole subject");
  const chart = drawing("chart", (width) => coverageChart(burst, width, chosen, range(), choose));

  function choose(low, high, all) {
    const held = document.activeElement?.dataset?.handle;
    Object.assign(chosen, { low, high, whole: all });
    tell();
    chart.redraw();
    if (held) chart.box.querySelector(`[data-handle="${held}"]`)?.focus();
  }
  function tell() {
    const verdict = judge(burst, range());
    const [a, b] = [stops[chosen.low], stops[chosen.high]].sort((x, y) => x.k - y.k);
    // The whole subject is what the program itself has judged.
    said.textContent = chosen.whole ? `Wanted: the whole subject. ${burst.page.lines[0]}`
                                    : `Wanted: ${a.label} to ${b.label}. ${words(burst, verdict, false)}`;
    reset.hidden = chosen.whole;
    plan.show(range(), chosen.whole ? null : [a, b]);
  }
  tell();
  return part("depth", "What is sharp",
    make("p", { class: "hint" }, "One bar a frame, from top to bottom as they were shot: the depth it shows sharp. Slide the two tags to what you want."),
    chart.box, coverageKey(burst), said, reset, plan.box, coverageTable(burst));
}

function coverageKey(burst) {
  const swatch = (className) => draw("svg", { width: 26, height: 14, "aria-hidden": "true" }, draw("rect", { class: className, x: 1, y: 1, width: 24, height: 12 }));
  const entry = (className, text) => make("li", {}, swatch(className), text);
  const entries = [entry("bar", "depth of field of a frame"), entry("body", "the subject, sharp somewhere"), entry("lack", "sharp nowhere")];
  if (burst.frames.some((f) => !f.usable && f.q !== null)) entries.push(entry("bar unused", "not usable"));
  if (burst.frames.some((f) => f.q === null && guessed(burst, f) !== null))
    entries.push(make("li", {}, draw("svg", { width: 14, height: 14, "aria-hidden": "true" }, draw("path", { class: "unlit", d: "M3 11h8l-4 -8z" })), "no light or no position; place guessed"));
  return make("ul", { class: "key" }, entries);
}

function coverageTable(burst) {
  const rows = burst.sorted.map((frame, i) => {
    const to = burst.sorted[i + 1];
    return make("tr", {}, make("th", { scope: "row" }, frame.label), make("td", {}, rounded(frame.q, 2)),
                make("td", {}, (frame.focus_sd_px ?? 0).toFixed(2)), make("td", {}, to ? (to.q - frame.q).toFixed(2) : "-"));
  });
  if (burst.flip) rows.reverse();
  return make("details", {}, make("summary", {}, "The same in numbers"),
    make("p", {}, `A frame shows sharp what lies within ${px(burst.limit)} of blur of its position; neighbours may be ${px(burst.step)} apart.`),
    make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Positions of the usable frames" },
      make("table", {}, make("thead", {}, make("tr", {}, ["Frame", "Position, px", "Uncertainty (sd), px", "To the next deeper, px"].map((t) => make("th", { scope: "col" }, t)))),
           make("tbody", {}, rows))));
}

// Positions between neighbours in time for frames whose own is not known.
function guessed(burst, frame) {
  const before = burst.frames.slice(0, frame.k).reverse().find((f) => f.q !== null);
  const after = burst.frames.slice(frame.k + 1).find((f) => f.q !== null);
  if (!before || !after) return null;
  return before.q + (after.q - before.q) * (frame.k - before.k) / (after.k - before.k);
}

function coverageChart(burst, width, chosen, range, choose) {
  const stops = burst.sorted;
  const lowest = Math.min(burst.subject[0], ...burst.frames.filter((f) => f.q !== null).map((f) => f.q - burst.limit));
  const highest = Math.max(burst.subject[burst.subject.length - 1], ...burst.frames.filter((f) => f.q !== null).map((f) => f.q + burst.limit));
  const margin = 10;
  const x = (q) => {
    const t = (q - lowest) / (highest - lowest);
    return margin + (burst.flip ? 1 - t : t) * (width - 2 * margin);
  };
  const span = (a, b) => ({ x: Math.min(x(a), x(b)), width: Math.max(0.5, Math.abs(x(a) - x(b))) });
  const top = 24, bodyHeight = 52, ribbonTop = top + bodyHeight + 4, ribbonHeight = 14, rowsTop = ribbonTop + ribbonHeight + 10;
  const row = Math.max(3, Math.min(12, 360 / burst.frames.length));
  const axisTop = rowsTop + row * burst.frames.length + 6;
  const height = axisTop + 108;
  const svg = draw("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "group",
    "aria-label": `Depth of ${burst.frames.length} frames against that of the subject; the same stands in the table below` });
  const [left, right] = endWords(burst);
  svg.append(draw("text", { x: margin, y: 16 }, `◂ ${left}`), draw("text", { x: width - margin, y: 16, "text-anchor": "end" }, `${right} ▸`));
  // The subject's depth: how much of the picture lies where.
  const bins = 90, size = (highest - lowest) / bins, counts = new Array(bins).fill(0), missing = new Array(bins).fill(0);
  const isSharp = (q) => stops.some((f) => Math.abs(f.q - q) <= burst.limit);
  for (const q of burst.subject) {
    const bin = Math.min(bins - 1, Math.floor((q - lowest) / size));
    ++counts[bin];
    if (!isSharp(q)) ++missing[bin];
  }
  const most = Math.max(...counts);
  counts.forEach((count, i) => {
    if (!count) return;
    const place = span(lowest + i * size, lowest + (i + 1) * size);
    const tall = Math.max(2, (count / most) * bodyHeight), lack = (missing[i] / most) * bodyHeight;
    svg.append(draw("rect", { ...place, y: top + bodyHeight - tall, height: tall, class: "body" }));
    if (lack > 0) svg.append(draw("rect", { ...place, y: top + bodyHeight - Math.max(4, lack), height: Math.max(4, lack), class: "lack" }));
  });
  // Of the whole subject at once: sharp, or not.
  const [s0, s1] = burst.report.subject_px;
  const ribbon = (a, b, className) => b > a && svg.append(draw("rect", { ...span(a, b), y: ribbonTop, height: ribbonHeight, class: className }));
  ribbon(s0, s1, "body");
  for (const gap of gapsOf(burst, stops, burst.subject)) {
    ribbon(gap.lower.q + burst.limit, gap.upper.q - burst.limit, "lack");
    svg.append(draw("rect", { ...span(gap.lower.q + burst.limit, gap.upper.q - burst.limit), y: ribbonTop, height: axisTop - ribbonTop, class: gap.soft ? "hole soft" : "hole" }));
  }
  for (const end of burst.report.ends) {
    const frame = burst.frames.find((f) => f.file === end.file);
    if (end.state !== "open" || !frame || frame.q === null) continue;
    const low = frame.q - s0 > s1 - frame.q ? false : true;
    const [a, b] = low ? [s0, frame.q - burst.limit] : [frame.q + burst.limit, s1];
    ribbon(a, b, "lack");
    if (b > a) svg.append(draw("rect", { ...span(a, b), y: ribbonTop, height: axisTop - ribbonTop, class: "hole open" }));
  }
  for (const frame of burst.frames) {
    const y = rowsTop + frame.k * row;
    const q = frame.q ?? guessed(burst, frame);
    if (q === null) continue;
    const tall = Math.max(1.5, row - 2);
    const group = draw("g", {}, draw("title", {}, `${frame.label}${frame.q === null ? ", place guessed" : ""}${frame.flags.map((f) => `, ${flagWords[f] ?? f}`).join("")}`));
    if (frame.q === null) {
      group.append(draw("path", { class: "unlit", d: `M${x(q) - 4} ${y + tall}h8l-4 ${-Math.max(5, tall)}z` }));
    } else {
      const spread = burst.limit + 2 * (frame.focus_sd_px ?? 0);
      group.append(draw("line", { class: "spread", x1: x(q - spread), x2: x(q + spread), y1: y + tall / 2, y2: y + tall / 2 }),
                   draw("rect", { ...span(q - burst.limit, q + burst.limit), y, height: tall, rx: 1, class: frame.usable ? "bar" : "bar unused" }),
                   draw("line", { class: "middle", x1: x(q), x2: x(q), y1: y, y2: y + tall }));
    }
    svg.append(group);
  }
  const scale = ticks(lowest, highest, Math.max(4, width / 90));
  svg.append(draw("line", { class: "axis", x1: margin, x2: width - margin, y1: axisTop, y2: axisTop }));
  scale.list.forEach((value) => svg.append(draw("line", { class: "axis", x1: x(value), x2: x(value), y1: axisTop, y2: axisTop + 5 }),
    draw("text", { x: x(value), y: axisTop + 19, "text-anchor": "middle", class: "number" }, rounded(value, scale.digits))));
  svg.append(draw("text", { x: width - margin, y: height - 4, "text-anchor": "end", class: "number" }, "position in px of blur"));
  // What is not wanted is veiled.
  const wanted = span(range.low, range.high);
  svg.append(draw("rect", { class: "veil", x: 0, width: Math.max(0, wanted.x), y: top, height: axisTop - top }),
             draw("rect", { class: "veil", x: wanted.x + wanted.width, width: Math.max(0, width - wanted.x - wanted.width), y: top, height: axisTop - top }));
  ["low", "high"].forEach((which, i) => svg.append(tag(which, axisTop + 26 + 34 * i)));
  return svg;

  function tag(which, y) {
    const line = x(which === "low" ? range.low : range.high);
    const wide = 66, tall = 30;
    const from = Math.min(Math.max(line - wide / 2, 1), width - wide - 1);
    const allowed = () => (which === "low" ? [0, chosen.high] : [chosen.low, stops.length - 1]);
    const move = (index) => {
      const next = Math.min(allowed()[1], Math.max(allowed()[0], index));
      if (next === chosen[which] && !chosen.whole) return;
      if (which === "low") choose(next, chosen.high, false);
      else choose(chosen.low, next, false);
    };
    const onkeydown = (event) => {
      const forward = burst.flip ? -1 : 1;
      const by = { ArrowRight: forward, ArrowUp: forward, ArrowLeft: -forward, ArrowDown: -forward, PageUp: 5 * forward, PageDown: -5 * forward }[event.key];
      const ends = burst.flip ? allowed().reverse() : allowed();
      const to = event.key === "Home" ? ends[0] : event.key === "End" ? ends[1] : by === undefined ? null : chosen[which] + by;
      if (to === null) return;
      event.preventDefault();
      move(to);
    };
    const onpointerdown = (event) => {
      event.preventDefault();
      // The drawing is made anew while the tag moves; what it stands in stays.
      const box = svg.parentElement;
      const follow = (moved) => {
        const at = moved.clientX - box.getBoundingClientRect().left;
        const far = (frame) => Math.abs(x(frame.q) - at);
        move(stops.reduce((best, frame, i) => (far(frame) < far(stops[best]) ? i : best), 0));
      };
      const stop = () => {
        box.removeEventListener("pointermove", follow);
        box.removeEventListener("pointerup", stop);
        box.removeEventListener("pointercancel", stop);
      };
      box.setPointerCapture(event.pointerId);
      box.addEventListener("pointermove", follow);
      box.addEventListener("pointerup", stop);
      box.addEventListener("pointercancel", stop);
      event.currentTarget.focus();
    };
    return draw("g", {
      class: "tag", role: "slider", tabindex: 0, "data-handle": which,
      "aria-label": (which === "low") === !burst.flip ? "Left end of what is wanted" : "Right end of what is wanted",
      "aria-valuemin": 1, "aria-valuemax": stops.length, "aria-valuenow": chosen[which] + 1,
      "aria-valuetext": chosen.whole ? "end of the subject" : `frame ${stops[chosen[which]].label}`,
      onkeydown, onpointerdown,
    },
    draw("line", { class: "tag-line", x1: line, x2: line, y1: top, y2: y }),
    draw("rect", { class: "tag-box", x: from, y, width: wide, height: tall, rx: 8 }),
    draw("text", { x: from + wide / 2, y: y + 20, "text-anchor": "middle", class: "tag-words" }, chosen.whole ? "◂ all ▸" : stops[chosen[which]].label));
  }
}
