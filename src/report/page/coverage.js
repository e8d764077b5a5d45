// What is sharp, judged for the range that is wanted.

// Share of the subject between two positions, by count of tiles.
function countBetween(subject, low, high) {
  let count = 0;
  for (const q of subject) if (q > low && q < high) ++count;
  return count;
}

// Standard normal distribution: Abramowitz and Stegun, 26.2.17 (1964), to 7.5e-8, from memory.
function normal(x) {
  const t = 1 / (1 + 0.2316419 * Math.abs(x));
  const tail =
    (Math.exp((-x * x) / 2) / Math.sqrt(2 * Math.PI)) *
    t *
    (0.31938153 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))));
  return x > 0 ? 1 - tail : tail;
}

// As the program decides them: coverage.h.
const leastShare = 0.002,
  gapShare = 0.01,
  sure = 0.95,
  endShare = 0.02;

// Neighbours of these frames between which some of the subject is sharp in neither.
function gapsOf(burst, sorted, subject) {
  const gaps = [];
  for (let i = 1; i < sorted.length; ++i) {
    const [lower, upper] = [sorted[i - 1], sorted[i]];
    const missing = countBetween(subject, lower.q + burst.limit, upper.q - burst.limit);
    if (missing === 0 || missing / subject.length < leastShare) continue;
    gaps.push({
      lower,
      upper,
      share: missing / subject.length,
      soft: isSoft(burst, lower, upper, missing / subject.length),
    });
  }
  return gaps;
}

function isSoft(burst, lower, upper, share) {
  const told = burst.report.gaps.find(
    (gap) =>
      [lower.file, upper.file].includes(gap.after) && [lower.file, upper.file].includes(gap.before),
  );
  if (told) return share < gapShare || (told.soft && !(told.subject_share < gapShare));
  const width = upper.q - lower.q;
  const sd = Math.hypot(
    lower.focus_sd_px ?? 0,
    upper.focus_sd_px ?? 0,
    (burst.report.scale_sd ?? 0) * width,
  );
  return share < gapShare || normal((width - burst.step) / Math.max(sd, 1e-6)) < sure;
}

// What the wanted range has and lacks. Frames of two poses do not go together.
function judge(burst, range) {
  const subject = burst.subject.filter((q) => q >= range.low && q <= range.high);
  const poses = [...new Set(burst.sorted.map((frame) => frame.pose))].sort((a, b) => a - b);
  const judged = poses.map((pose) => {
    const sorted = burst.sorted.filter((frame) => frame.pose === pose);
    const gaps = gapsOf(burst, sorted, subject);
    const outside = (low, high) =>
      subject.length && countBetween(subject, low, high) / subject.length;
    const open = [
      outside(-Infinity, sorted[0].q - burst.limit),
      outside(sorted[sorted.length - 1].q + burst.limit, Infinity),
    ];
    const lacking = gaps.filter((gap) => !gap.soft);
    const sharp = subject.filter((q) =>
      sorted.some((f) => Math.abs(f.q - q) <= burst.limit),
    ).length;
    return {
      pose,
      sorted,
      gaps,
      lacking,
      open,
      share: subject.length ? sharp / subject.length : 0,
      complete: lacking.length === 0 && open.every((share) => share < endShare),
    };
  });
  judged.sort((a, b) => b.complete - a.complete || b.share - a.share || a.pose - b.pose);
  return { subject, poses: judged.length, best: judged[0] };
}

function words(burst, verdict, whole) {
  if (!verdict.best || verdict.subject.length === 0) return "Nothing of the subject lies there.";
  const { best } = verdict;
  const without =
    verdict.poses > 1
      ? ` Without ${listOfFrames(
          burst,
          burst.sorted
            .filter((f) => f.pose !== best.pose)
            .map((f) => f.k)
            .sort((a, b) => a - b),
        )}.`
      : "";
  if (best.complete) {
    const soft = best.gaps.length;
    return `Good: every depth of it is sharp${soft ? `, but for ${soft} soft place${soft > 1 ? "s" : ""}` : ""}.${without}`;
  }
  const between = best.lacking.map((gap) => {
    const [a, b] = [gap.lower, gap.upper].sort((x, y) => x.k - y.k);
    return `between ${a.label} and ${b.label}`;
  });
  if (best.open.some((share) => share >= endShare))
    between.push(whole ? "beyond an end of the sweep" : "beyond the frames of one pose");
  return `Not yet: nothing sharp ${between.join(", ")}.${verdict.poses > 1 ? " Something is elsewhere in the other frames." : ""}`;
}

function coveragePart(burst) {
  if (burst.sorted.length < 2 || burst.subject.length === 0)
    return part(
      "depth",
      "What is sharp",
      make("p", {}, "Where the frames focus is not known well enough to draw it."),
    );
  const whole = burst.page.stack;
  const stops = burst.sorted;
  const chosen = { low: 0, high: stops.length - 1, whole: true };
  const range = () =>
    chosen.whole && whole
      ? { low: whole.low, high: whole.high }
      : { low: stops[chosen.low].q, high: stops[chosen.high].q };
  const plan = stackPanel(burst);
  const said = make("p", { class: "wanted", "aria-live": "polite" });
  const reset = make(
    "button",
    {
      type: "button",
      class: "small",
      hidden: true,
      onclick: () => choose(0, stops.length - 1, true),
    },
    "Whole subject",
  );
  // The frames of the whole reach a little beyond the subject: the tags stand at its ends.
  const [low, high] = burst.report.subject_px;
  const marked = () => (chosen.whole ? { low, high } : range());
  const chart = drawing("chart", (width) => coverageChart(burst, width, chosen, marked(), choose));

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
    said.textContent = chosen.whole
      ? `Wanted: the whole subject. ${burst.page.headline}`
      : `Wanted: ${a.label} to ${b.label}. ${words(burst, verdict, false)}`;
    reset.hidden = chosen.whole;
    plan.show(range(), chosen.whole ? null : [a, b]);
  }
  tell();
  return part(
    "depth",
    "What is sharp",
    make(
      "p",
      { class: "hint" },
      "Each bar: the depth that one frame shows sharp, from top to bottom as shot. To choose less than the whole, slide the two tags below them.",
    ),
    chart.box,
    coverageKey(burst),
    said,
    reset,
    plan.box,
    coverageTable(burst),
  );
}

function coverageKey(burst) {
  const swatch = (className) =>
    draw(
      "svg",
      { width: 26, height: 14, "aria-hidden": "true" },
      draw("rect", { class: className, x: 1, y: 1, width: 24, height: 12 }),
    );
  const entry = (className, text) => make("li", {}, swatch(className), text);
  const entries = [
    entry("bar", "depth of field of a frame"),
    entry("body", "the subject, sharp somewhere"),
    entry("lack", "sharp nowhere"),
  ];
  if (burst.frames.some((f) => !f.usable && f.q !== null))
    entries.push(entry("bar unused", "not usable"));
  if (burst.frames.some((f) => f.q === null && guessed(burst, f) !== null))
    entries.push(
      make(
        "li",
        {},
        draw(
          "svg",
          { width: 14, height: 14, "aria-hidden": "true" },
          draw("path", { class: "unlit", d: "M3 11h8l-4 -8z" }),
        ),
        "no light or no position; place guessed",
      ),
    );
  return make("ul", { class: "key" }, entries);
}

function coverageTable(burst) {
  const rows = burst.sorted.map((frame, i) => {
    const to = burst.sorted[i + 1];
    return make(
      "tr",
      {},
      make("th", { scope: "row" }, frame.label),
      make("td", {}, rounded(frame.q, 2)),
      make("td", {}, (frame.focus_sd_px ?? 0).toFixed(2)),
      make("td", {}, to ? (to.q - frame.q).toFixed(2) : "-"),
    );
  });
  if (burst.flip) rows.reverse();
  return make(
    "details",
    {},
    make("summary", {}, "The same in numbers"),
    make(
      "p",
      {},
      `A frame shows sharp what lies within ${px(burst.limit)} of blur of its position; neighbours may be ${px(burst.step)} apart.`,
    ),
    scrolling(
      "Positions of the usable frames",
      table(["Frame", "Position, px", "Uncertainty (sd), px", "To the next deeper, px"], rows),
    ),
  );
}
