// The way of the ring: position against time, and how far to turn.

function ringPart(burst) {
  const known = burst.frames.filter((frame) => frame.q !== null);
  if (known.length < 2) return null;
  const timed =
    burst.frames.every((frame) => frame.time_s !== null) &&
    burst.frames.length > 1 &&
    burst.frames[burst.frames.length - 1].time_s > burst.frames[0].time_s;
  const { advice } = burst.report;
  const quick = advice.sweeps.some((sweep) => sweep.too_quick.length > 0);
  const chart = drawing("chart", (width) => ringChart(burst, known, timed, width));
  const lines = [];
  if (advice.turn_factor)
    lines.push(
      `The largest step on the subject was ${px(advice.step_px / advice.turn_factor)} of blur; aim at ${px(advice.step_px)}${advice.turn_factor < 0.9 ? `, ${burst.page.turn}` : ""}.`,
    );
  if (advice.step_deg) lines.push(`That is ${advice.step_deg.toFixed(1)}° of the ring a frame.`);
  if (advice.step_subject_mm)
    lines.push(`That is ${advice.step_subject_mm.toFixed(3)} mm of depth a frame.`);
  if (advice.frames_for_same_turn && advice.turn_factor < 0.9)
    lines.push(`The same turn would take ${advice.frames_for_same_turn} frames.`);
  if (advice.rate_per_s) lines.push(`You shot ${advice.rate_per_s.toFixed(1)} frames a second.`);
  return part(
    "ring",
    "The way of the ring",
    chart.box,
    make(
      "ul",
      { class: "key" },
      [
        [ringMark(true), "usable frame"],
        burst.frames.some((f) => f.q !== null && !f.usable)
          ? [ringMark(false), "not usable"]
          : null,
        [lineMark("advice"), "as steep as it may be"],
        burst.report.subject_px
          ? [
              draw(
                "svg",
                { width: 26, height: 14, "aria-hidden": "true" },
                draw("rect", { class: "subject-band", x: 1, y: 1, width: 24, height: 12 }),
              ),
              "the subject's depth",
            ]
          : null,
        quick ? [lineMark("too-quick"), "too quick"] : null,
      ]
        .filter(Boolean)
        .map(([shape, words]) => make("li", {}, shape, words)),
    ),
    make("p", {}, lines.join(" ")),
  );
}

function ringMark(usable) {
  return draw("svg", { width: 18, height: 14, "aria-hidden": "true" }, shapeAt(9, 7, usable));
}

function lineMark(className) {
  return draw(
    "svg",
    { width: 30, height: 14, "aria-hidden": "true" },
    draw("line", { class: className, x1: 1, x2: 29, y1: 12, y2: 3 }),
  );
}

// A dot, or a cross that lies on its side; both of about 40 square px.
function shapeAt(x, y, usable) {
  const shape = d3.symbol(usable ? d3.symbolCircle : d3.symbolCross, 40);
  const transform = `translate(${x} ${y})${usable ? "" : " rotate(45)"}`;
  return draw("path", { class: usable ? "dot" : "cross", d: shape(), transform });
}

function ringChart(burst, known, timed, width) {
  const height = 240,
    left = 44,
    right = 10,
    top = 14,
    bottom = 40;
  const along = (frame) => (timed ? frame.time_s : frame.k + 1);
  const ends = [burst.frames[0], burst.frames[burst.frames.length - 1]];
  const x = d3.scaleLinear(ends.map(along), [left, width - right]);
  const depths = d3.extent(known, (frame) => frame.q);
  const y = d3.scaleLinear(depths, [height - bottom, top]);
  const svg = draw("svg", {
    width,
    height,
    viewBox: `0 0 ${width} ${height}`,
    role: "img",
    "aria-label": `Position of the focus from frame ${ends[0].label} to ${ends[1].label}`,
  });
  if (burst.report.subject_px) {
    const inside = y.copy().clamp(true);
    const [low, high] = burst.report.subject_px.map((q) => inside(q));
    const band = { x: left, width: width - left - right, y: high, height: low - high };
    svg.append(draw("rect", { class: "subject-band", ...band }));
  }
  const across = d3.axisBottom(x).ticks(Math.max(5, width / 90)).tickSize(0).tickPadding(9);
  const lines = left + right - width;
  const up = d3.axisLeft(y).ticks(5).tickSize(lines).tickPadding(6);
  svg.append(
    draw("g", { class: "grid" }, numberedAxis(up, left, 0)),
    numberedAxis(across, 0, height - bottom),
    draw(
      "text",
      { class: "number", x: width - right, y: height - 4, "text-anchor": "end" },
      timed ? "seconds since the first frame" : "frame",
    ),
    draw("text", { class: "number", x: 2, y: height - 4 }, "px of blur"),
  );
  const way = d3
    .line()
    .x((frame) => x(along(frame)))
    .y((frame) => y(frame.q));
  svg.append(draw("path", { class: "way", d: way(known) }));
  for (const step of burst.report.advice.sweeps.flatMap((sweep) => sweep.too_quick)) {
    const [a, b] = [step.after, step.before].map((file) =>
      burst.frames.find((frame) => frame.file === file),
    );
    if (a.q !== null && b.q !== null)
      svg.append(
        draw("line", {
          class: "too-quick",
          x1: x(along(a)),
          y1: y(a.q),
          x2: x(along(b)),
          y2: y(b.q),
        }),
      );
  }
  advisedLine(burst, known, timed, along).forEach(([a, b]) =>
    svg.append(
      draw("line", { class: "advice", x1: x(a[0]), y1: y(a[1]), x2: x(b[0]), y2: y(b[1]) }),
    ),
  );
  for (const frame of known)
    svg.append(
      draw(
        "g",
        {},
        draw("title", {}, frame.label),
        shapeAt(x(along(frame)), y(frame.q), frame.usable),
      ),
    );
  return svg;
}

// From where the first sweep enters the subject, at the advised step a frame.
function advisedLine(burst, known, timed, along) {
  const sweep = burst.report.sweeps[0];
  const { step_px: step } = burst.report.advice;
  if (!sweep || !step || !burst.report.subject_px) return [];
  const own = known.filter((f) => f.k >= sweep.first - 1 && f.k < sweep.last);
  const [low, high] = burst.report.subject_px;
  const start = own.find((f) => f.q >= low - burst.limit && f.q <= high + burst.limit);
  if (!start) return [];
  const rises = sweepRises(sweep, burst.frames);
  const end = own[own.length - 1];
  const perFrame = timed ? (end.time_s - own[0].time_s) / Math.max(1, end.k - own[0].k) : 1;
  const frames = Math.min(
    (along(end) - along(start)) / Math.max(1e-9, perFrame),
    Math.abs(
      (rises ? Math.max(...known.map((f) => f.q)) : Math.min(...known.map((f) => f.q))) - start.q,
    ) / step,
  );
  return frames > 0
    ? [
        [
          [along(start), start.q],
          [along(start) + frames * perFrame, start.q + (rises ? step : -step) * frames],
        ],
      ]
    : [];
}
