// The chart of coverage: the subject's depth above, a bar for each frame below, two tags on it.

// Positions between neighbours in time for frames whose own is not known.
function guessed(burst, frame) {
  const before = burst.frames
    .slice(0, frame.k)
    .reverse()
    .find((f) => f.q !== null);
  const after = burst.frames.slice(frame.k + 1).find((f) => f.q !== null);
  if (!before || !after) return null;
  return before.q + ((after.q - before.q) * (frame.k - before.k)) / (after.k - before.k);
}

// Where everything stands, in px of the drawing.
function chartLayout(burst, width) {
  const known = burst.frames.filter((frame) => frame.q !== null);
  const lowest = Math.min(burst.subject[0], ...known.map((frame) => frame.q - burst.limit));
  const highest = Math.max(burst.subject.at(-1), ...known.map((frame) => frame.q + burst.limit));
  const margin = 10;
  const ends = [margin, width - margin];
  const x = d3.scaleLinear([lowest, highest], burst.flip ? ends.reverse() : ends);
  const span = (a, b) => ({ x: Math.min(x(a), x(b)), width: Math.max(0.5, Math.abs(x(a) - x(b))) });
  const [top, bodyHeight, ribbonHeight] = [24, 52, 14];
  const ribbonTop = top + bodyHeight + 4;
  const rowsTop = ribbonTop + ribbonHeight + 10;
  const row = Math.max(3, Math.min(12, 360 / burst.frames.length));
  const axisTop = rowsTop + row * burst.frames.length + 6;
  const vertical = { top, bodyHeight, ribbonTop, ribbonHeight, rowsTop, row, axisTop };
  return { ...vertical, lowest, highest, margin, width, height: axisTop + 108, x, span };
}

// How much of the picture lies where in depth, and how much of that is sharp nowhere.
function subjectBody(burst, at) {
  const thresholds = d3.ticks(at.lowest, at.highest, 90);
  const bins = d3.bin().domain([at.lowest, at.highest]).thresholds(thresholds)(burst.subject);
  const nowhere = (q) => !burst.sorted.some((frame) => Math.abs(frame.q - q) <= burst.limit);
  const tall = d3.scaleLinear([0, d3.max(bins, (bin) => bin.length)], [0, at.bodyHeight]);
  const column = (bin, count, least, className) => {
    if (count === 0) return null;
    const height = Math.max(least, tall(count));
    const place = { ...at.span(bin.x0, bin.x1), y: at.top + at.bodyHeight - height };
    return draw("rect", { ...place, height, class: className });
  };
  return bins.map((bin) => [
    column(bin, bin.length, 2, "body"),
    column(bin, d3.sum(bin, nowhere), 4, "lack"),
  ]);
}

// Depths of the subject that no frame shows sharp, each with the kind of its outline.
function holesOf(burst) {
  const holes = gapsOf(burst, burst.sorted, burst.subject).map((gap) => ({
    low: gap.lower.q + burst.limit,
    high: gap.upper.q - burst.limit,
    kind: gap.soft ? "soft" : "",
  }));
  const [low, high] = burst.report.subject_px;
  // The end of the lower positions comes first.
  burst.report.ends.forEach((end, i) => {
    const frame = burst.frames.find((one) => one.file === end.file);
    if (end.state !== "open" || !frame || frame.q === null) return;
    holes.push(
      i === 0
        ? { low, high: frame.q - burst.limit, kind: "open" }
        : { low: frame.q + burst.limit, high, kind: "open" },
    );
  });
  return holes.filter((hole) => hole.high > hole.low);
}

// The whole subject as a ribbon, with its holes, which go down through the frames.
function subjectRibbon(burst, at) {
  const ribbon = { y: at.ribbonTop, height: at.ribbonHeight };
  return [
    draw("rect", { ...at.span(...burst.report.subject_px), ...ribbon, class: "body" }),
    holesOf(burst).map((hole) => {
      const place = at.span(hole.low, hole.high);
      const down = { y: at.ribbonTop, height: at.axisTop - at.ribbonTop };
      return [
        draw("rect", { ...place, ...ribbon, class: "lack" }),
        draw("rect", { ...place, ...down, class: `hole ${hole.kind}` }),
      ];
    }),
  ];
}

// A frame's depth of field, with its uncertainty (2 sd) at both ends.
function frameBar(burst, at, frame) {
  const q = frame.q ?? guessed(burst, frame);
  if (q === null) return null;
  const y = at.rowsTop + frame.k * at.row;
  const height = Math.max(1.5, at.row - 2);
  const flags = frame.flags.map((flag) => flagWords[flag] ?? flag);
  const words = [frame.label, frame.q === null ? "place guessed" : null, ...flags];
  const title = draw("title", {}, words.filter(Boolean).join(", "));
  const x = at.x(q);
  if (frame.q === null) {
    const d = `M${x - 4} ${y + height}h8l-4 ${-Math.max(5, height)}z`;
    return draw("g", {}, title, draw("path", { class: "unlit", d }));
  }
  const spread = burst.limit + 2 * (frame.focus_sd_px ?? 0);
  const across = { x1: at.x(q - spread), x2: at.x(q + spread) };
  const middle = y + height / 2;
  return draw(
    "g",
    {},
    title,
    draw("line", { class: "spread", ...across, y1: middle, y2: middle }),
    draw("rect", {
      ...at.span(q - burst.limit, q + burst.limit),
      y,
      height,
      rx: 1,
      class: frame.usable ? "bar" : "bar unused",
    }),
    draw("line", { class: "middle", x1: x, x2: x, y1: y, y2: y + height }),
  );
}

function depthAxis(at) {
  const y = at.axisTop;
  const right = at.width - at.margin;
  const axis = d3.axisBottom(at.x).ticks(Math.max(6, at.width / 90)).tickSize(5).tickPadding(5);
  const unit = { x: right, y: at.height - 4, "text-anchor": "end", class: "number" };
  return [
    draw("line", { class: "axis", x1: at.margin, x2: right, y1: y, y2: y }),
    numberedAxis(axis, 0, y),
    draw("text", unit, "position in px of blur"),
  ];
}

// What is not wanted lies under a veil.
function veils(at, range) {
  const wanted = at.span(range.low, range.high);
  const right = wanted.x + wanted.width;
  const over = { class: "veil", y: at.top, height: at.axisTop - at.top };
  return [
    draw("rect", { ...over, x: 0, width: Math.max(0, wanted.x) }),
    draw("rect", { ...over, x: right, width: Math.max(0, at.width - right) }),
  ];
}

// A tag at one end of the wanted range, moved by finger, mouse or keys from frame to frame.
function rangeTag(burst, at, chosen, range, choose, which) {
  const stops = burst.sorted;
  const line = at.x(range[which]);
  const { label } = stops[chosen[which]];
  const [wide, tall] = [Math.max(66, 16 + 9 * label.length), 30];
  const left = Math.min(Math.max(line - wide / 2, 1), at.width - wide - 1);
  const y = at.axisTop + (which === "low" ? 26 : 60);
  const allowed = () => (which === "low" ? [0, chosen.high] : [chosen.low, stops.length - 1]);
  const move = (index) => {
    const next = Math.min(allowed()[1], Math.max(allowed()[0], index));
    if (next === chosen[which] && !chosen.whole) return;
    if (which === "low") choose(next, chosen.high, false);
    else choose(chosen.low, next, false);
  };
  const onkeydown = (event) => {
    const right = burst.flip ? -1 : 1;
    const ends = burst.flip ? allowed().reverse() : allowed();
    const goals = { Home: ends[0], End: ends[1] };
    const steps = {
      ArrowRight: 1,
      ArrowUp: 1,
      PageUp: 5,
      ArrowLeft: -1,
      ArrowDown: -1,
      PageDown: -5,
    };
    if (event.key in steps) goals[event.key] = chosen[which] + right * steps[event.key];
    if (!(event.key in goals)) return;
    event.preventDefault();
    move(goals[event.key]);
  };
  const onpointerdown = (event) => {
    event.preventDefault();
    // The drawing is made anew while the tag moves; what it stands in stays.
    const box = event.currentTarget.closest(".chart");
    const follow = (moved) => {
      const finger = moved.clientX - box.getBoundingClientRect().left;
      const far = (frame) => Math.abs(at.x(frame.q) - finger);
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
  const side = (which === "low") === !burst.flip ? "Left" : "Right";
  const slider = {
    class: "tag",
    role: "slider",
    tabindex: 0,
    "data-handle": which,
    "aria-label": `${side} end of what is wanted`,
    "aria-valuemin": 1,
    "aria-valuemax": stops.length,
    "aria-valuenow": chosen[which] + 1,
    "aria-valuetext": chosen.whole ? "end of the subject" : `frame ${label}`,
    onkeydown,
    onpointerdown,
  };
  const words = { x: left + wide / 2, y: y + 20, "text-anchor": "middle", class: "tag-words" };
  return draw(
    "g",
    slider,
    draw("line", { class: "tag-line", x1: line, x2: line, y1: at.top, y2: y }),
    draw("rect", { class: "tag-box", x: left, y, width: wide, height: tall, rx: 8 }),
    draw("text", words, chosen.whole ? "◂ all ▸" : label),
  );
}

function coverageChart(burst, width, chosen, range, choose) {
  const at = chartLayout(burst, width);
  const [left, right] = endWords(burst);
  const chart = {
    width,
    height: at.height,
    viewBox: `0 0 ${width} ${at.height}`,
    role: "group",
    "aria-label": "Depth of the frames against that of the subject; the table below has it, too",
  };
  return draw(
    "svg",
    chart,
    draw("text", { x: at.margin, y: 16 }, `◂ ${left}`),
    draw("text", { x: width - at.margin, y: 16, "text-anchor": "end" }, `${right} ▸`),
    subjectBody(burst, at),
    subjectRibbon(burst, at),
    burst.frames.map((frame) => frameBar(burst, at, frame)),
    depthAxis(at),
    veils(at, range),
    ["low", "high"].map((which) => rangeTag(burst, at, chosen, range, choose, which)),
  );
}
