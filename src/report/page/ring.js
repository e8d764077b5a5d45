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

function shapeAt(x, y, usable) {
  return usable
    ? draw("circle", { class: "dot", cx: x, cy: y, r: 3.5 })
    : draw("path", { class: "cross", d: `M${x - 4} ${y - 4}l8 8M${x - 4} ${y + 4}l8 -8` });
}

function ringChart(burst, known, timed, width) {
  const height = 240,
    left = 44,
    right = 10,
    top = 14,
    bottom = 40;
  const along = (frame) => (timed ? frame.time_s : frame.k + 1);
  const [first, last] = [along(burst.frames[0]), along(burst.frames[burst.frames.length - 1])];
  const low = Math.min(...known.map((f) => f.q)),
    high = Math.max(...known.map((f) => f.q));
  const x = (value) => left + ((value - first) / (last - first)) * (width - left - right);
  const y = (q) =>
    height - bottom - ((q - low) / Math.max(1e-9, high - low)) * (height - top - bottom);
  const svg = draw("svg", {
    width,
    height,
    viewBox: `0 0 ${width} ${height}`,
    role: "img",
    "aria-label": `Position of the focus from frame ${burst.frames[0].label} to ${burst.frames[burst.frames.length - 1].label}`,
  });
  const across = ticks(first, last, Math.max(5, width / 90)),
    up = ticks(low, high, 5);
  if (burst.report.subject_px) {
    const [a, b] = burst.report.subject_px.map((q) =>
      Math.min(height - bottom, Math.max(top, y(q))),
    );
    svg.append(
      draw("rect", {
        class: "subject-band",
        x: left,
        width: width - left - right,
        y: Math.min(a, b),
        height: Math.abs(a - b),
      }),
    );
  }
  for (const value of up.list)
    svg.append(
      draw("line", { class: "grid", x1: left, x2: width - right, y1: y(value), y2: y(value) }),
      draw(
        "text",
        { class: "number", x: left - 6, y: y(value) + 4, "text-anchor": "end" },
        rounded(value, up.digits),
      ),
    );
  for (const value of across.list)
    svg.append(
      draw(
        "text",
        { class: "number", x: x(value), y: height - bottom + 18, "text-anchor": "middle" },
        rounded(value, across.digits),
      ),
    );
  svg.append(
    draw(
      "text",
      { class: "number", x: width - right, y: height - 4, "text-anchor": "end" },
      timed ? "seconds since the first frame" : "frame",
    ),
    draw("text", { class: "number", x: 2, y: height - 4 }, "px of blur"),
  );
  svg.append(
    draw("path", {
      class: "way",
      d: known
        .map((f, i) => `${i ? "L" : "M"}${x(along(f)).toFixed(1)} ${y(f.q).toFixed(1)}`)
        .join(""),
    }),
  );
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
