// The page put together: verdict first, then a burst's parts; of several bursts one at a time.

const verdicts = {
  complete: "complete",
  "complete-without": "complete without some frames",
  reshoot: "not complete",
  "cannot-tell": "cannot be told",
};

// A ring that is closed where the subject is covered: the way from one end to the other, clockwise.
function ring(burst, size) {
  const { verdict } = burst.report;
  const radius = 38,
    from = -220,
    turn = 260;
  const arc = (a, b, className) => {
    const at = (t) => [
      50 + radius * Math.cos(((from + t * turn) * Math.PI) / 180),
      50 + radius * Math.sin(((from + t * turn) * Math.PI) / 180),
    ];
    const [x0, y0] = at(a),
      [x1, y1] = at(b);
    return draw("path", {
      class: className,
      d: `M${x0.toFixed(2)} ${y0.toFixed(2)}A${radius} ${radius} 0 ${(b - a) * turn > 180 ? 1 : 0} 1 ${x1.toFixed(2)} ${y1.toFixed(2)}`,
    });
  };
  const svg = draw("svg", {
    class: `ring ${verdict}`,
    width: size,
    height: size,
    viewBox: "0 0 100 100",
    role: "img",
    "aria-label": verdicts[verdict],
  });
  const [low, high] = burst.report.subject_px ?? [0, 1];
  const known = burst.report.subject_px && burst.sorted.length > 1;
  svg.append(arc(0, 1, known ? "ring-path" : "ring-path unknown"));
  if (known) {
    const t = (q) =>
      Math.min(1, Math.max(0, burst.flip ? (high - q) / (high - low) : (q - low) / (high - low)));
    for (const hole of holesOf(burst)) {
      if (hole.kind === "soft") continue;
      const [p, q] = [t(hole.low), t(hole.high)].sort((u, v) => u - v);
      const wider = Math.max(0, 0.05 - (q - p)) / 2;
      svg.append(arc(Math.max(0, p - wider), Math.min(1, q + wider), "ring-hole"));
    }
  }
  const signs = {
    complete: "M34 51l11 12 21-25",
    "complete-without": "M34 51l11 12 21-25",
    reshoot: "M50 33v23M50 66v1",
    "cannot-tell": "M41 43q0-10 9-10t9 9q0 7-9 12v4M50 67v1",
  };
  svg.append(draw("path", { class: "sign", d: signs[verdict] }));
  return svg;
}

// What is shown, in words: a burst by its folder, several as one by their frames.
function whatItIs(burst) {
  if (!burst.scene) return [burst.report.folder || "Burst", burst.page.shot];
  return [`${burst.scene.bursts.map((i) => data.pages[i - 1].shot).join(" and ")} together`];
}

// The lines of the summary that are neither the verdict nor the last one, which is what to do.
function verdictPart(burst) {
  const { lines, action } = burst.page;
  // The order first, what else is to be done or why below it.
  const [first, ...rest] = action.split(/(?<=\.)\s+/);
  const others = lines.slice(1).filter((line) => line !== action && !action.includes(line));
  const clock = burst.page.clock[0] ? `, shot from ${burst.page.clock[0].slice(0, 8)}` : "";
  return make(
    "section",
    { id: "verdict", class: `verdict ${burst.report.verdict}`, "aria-label": "Verdict" },
    make(
      "div",
      { class: "said" },
      ring(burst, 92),
      make(
        "div",
        {},
        make("h2", { class: "sentence" }, burst.page.headline),
        make("p", { class: "next" }, make("strong", {}, "Next: "), sentence(first)),
        rest.length
          ? make(
              "ul",
              { class: "then" },
              rest.map((words) => make("li", {}, sentence(words))),
            )
          : null,
      ),
    ),
    others.length
      ? make(
          "ul",
          { class: "others" },
          others.map((line) => make("li", {}, sentence(line))),
        )
      : null,
    make(
      "p",
      { class: "whence" },
      `${whatItIs(burst).join(", ")}: ${burst.frames.length} frames${clock}`,
    ),
  );
}

function sweepsPart(burst) {
  const { sweeps, complete_sweeps: complete } = burst.report;
  if (sweeps.length < 2) return null;
  const ways = { nearer: "towards near", farther: "towards far", unknown: "not known" };
  const headings = ["Frames", "Alone", "The ring went", "Gaps", "Differs in"];
  const rows = sweeps.map((sweep, i) =>
    make(
      "tr",
      {},
      make(
        "th",
        { scope: "row" },
        `${burst.frames[sweep.first - 1].label} to ${burst.frames[sweep.last - 1].label}`,
      ),
      [
        verdicts[sweep.verdict] ?? sweep.verdict,
        ways[sweep.direction],
        String(sweep.gaps.filter((gap) => !gap.soft).length),
        burst.page.differences[i] || "nothing",
      ].map((words, column) => make("td", { "data-head": headings[column + 1] }, words)),
    ),
  );
  const name = (i) =>
    `${burst.frames[sweeps[i - 1].first - 1].label} to ${burst.frames[sweeps[i - 1].last - 1].label}`;
  const together =
    complete.length === 0
      ? "No sweeps are complete, alone or together."
      : complete.length === 1
        ? `${name(complete[0])} would do alone.`
        : `${complete.map(name).join(" and ")} are complete together.`;
  return part(
    "sweeps",
    `Sweeps (${sweeps.length})`,
    make("p", {}, together),
    scrolling(
      "Sweeps",
      table(headings, rows, "entries"),
    ),
  );
}

function assumedPart(burst) {
  const { report } = burst;
  const sides = {
    user: "as you said",
    lens: "from the lens learnt before",
    picture: "from what hides what in the picture",
  };
  const rows = [
    [
      "Counts as sharp",
      `blurred over no more than ${px(report.blur_limit_px, 2)} of the full-size picture; so frames may be ${px(report.allowed_step_px, 2)} apart`,
    ],
    [
      "Subject",
      report.subject_from === "user"
        ? "as you said"
        : report.subject_from === "picture"
          ? `found in the picture: what is outlined there${report.subject_trusted ? "" : "; its ends are yours to judge"}`
          : "none was found",
    ],
    [
      "How sure distances are",
      report.fit.status !== "converged" || report.scale_sd === null
        ? "not known"
        : `to ${(100 * report.scale_sd).toFixed(1)} % (standard deviation)`,
    ],
    [
      "Near and far",
      burst.near
        ? (sides[report.near_side.from] ?? report.near_side.from)
        : "not known: the page speaks of where you began and stopped",
    ],
    [
      "Blur reckoned as",
      report.blur_model === "wave"
        ? "defocus and diffraction together"
        : "discs; the lens's own blur is left aside",
    ],
    ["Checked", report.checks_made.join(", ")],
  ];
  if (report.quarter_wave_blur_px)
    rows.push([
      "Diffraction alone blurs",
      `${px(report.quarter_wave_blur_px)} (${report.quarter_wave_from === "given" ? "by the f-number you gave" : "were the f-number in the files the working one"})`,
    ]);
  const limits = report.blur_limits.map((row) =>
    make(
      "tr",
      {},
      make("th", { scope: "row" }, px(row.blur_limit_px, 2)),
      make("td", {}, String(row.gaps)),
      make("td", {}, String(row.soft)),
      make("td", {}, String(row.open_ends)),
    ),
  );
  const warnings = [...report.reasons, ...report.verdict_notes, ...report.notes];
  return part(
    "assumed",
    "What this rests on",
    make(
      "dl",
      {},
      rows.map(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]),
    ),
    limits.length
      ? make(
          "details",
          {},
          make("summary", {}, "Were another blur allowed"),
          table(["Blur", "Gaps", "Soft places", "Open ends"], limits),
        )
      : null,
    make(
      "details",
      {},
      make("summary", {}, "Reasons and warnings, with numbers"),
      make(
        "ul",
        {},
        warnings.map((text) => make("li", {}, text)),
      ),
    ),
  );
}

function cardPart(show) {
  const rowOf = (i) => {
    const burst = burstOf(i);
    const time = burst.page.clock[0] ? burst.page.clock[0].slice(0, 5) : "";
    return make(
      "li",
      {},
      make(
        "button",
        { type: "button", "data-burst": i, onclick: () => show(i, true) },
        ring(burst, 54),
        make(
          "span",
          { class: "row-words" },
          make("span", { class: "row-verdict" }, burst.page.lines[0]),
          make(
            "span",
            { class: "row-more" },
            [
              time,
              burst.scene ? whatItIs(burst)[0] : burst.report.folder,
              `${burst.frames.length} frames`,
            ]
              .filter(Boolean)
              .join(", "),
          ),
        ),
      ),
    );
  };
  // What several give together comes first: it is the answer.
  const count = data.report.bursts.length;
  const shown = [...shownBursts.keys()];
  const rows = [...shown.slice(count), ...shown.slice(0, count)].map(rowOf);
  const linesOf = (text) =>
    text
      .split("\n")
      .map((line) => line.trim())
      .filter(Boolean);
  const [inAll, ...how] = linesOf(data.session);
  const others = [...linesOf(data.alike), ...how, ...linesOf(data.left_out)];
  return make(
    "section",
    { id: "card", class: "card", "aria-labelledby": "card-title" },
    make("h2", { id: "card-title" }, `${count} bursts`),
    make("p", {}, inAll),
    make("ol", { class: "bursts" }, rows),
    make(
      "ul",
      { class: "others" },
      others.map((line) => make("li", {}, sentence(line))),
    ),
  );
}

// Of several bursts the first that is not complete, even with others; or what several give together.
function firstShown() {
  const { bursts } = data.report;
  const solved = new Set(together.flatMap((scene) => scene.bursts));
  const open = bursts.findIndex(
    (report, i) => !report.verdict.startsWith("complete") && !solved.has(i + 1),
  );
  if (open >= 0) return open;
  return together.length ? bursts.length : 0;
}

const home = document.getElementById("main");
const several = data.report.bursts.length > 1;
const place = make("div", { id: "burst", tabindex: -1 });

function show(index, jump) {
  const burst = burstOf(index);
  const parts = [
    coveragePart(burst),
    lookPart(burst),
    ringPart(burst),
    findingsPart(burst),
    framesPart(burst),
    sweepsPart(burst),
    assumedPart(burst),
  ].filter(Boolean);
  place.replaceChildren(verdictPart(burst), make("div", { class: "parts" }, parts));
  for (const button of document.querySelectorAll("[data-burst]"))
    button.toggleAttribute("aria-current", Number(button.dataset.burst) === index);
  const names = { verdict: "Verdict", depth: "Depth", look: "Picture", frames: "Frames" };
  const links = Object.entries(names)
    .filter(([id]) => document.getElementById(id))
    .map(([id, words]) => make("a", { href: `#${id}` }, words));
  if (several) links.unshift(make("a", { href: "#card" }, "Card"));
  const bar = document.getElementById("bar");
  bar.replaceChildren(...links);
  bar.hidden = false;
  if (jump) {
    place.scrollIntoView();
    place.focus({ preventScroll: true });
  }
}

// Dark where nothing else is asked for; what was chosen is remembered where the browser lets us.
function choose(scheme, remember) {
  document.documentElement.dataset.scheme = scheme;
  for (const button of document.querySelectorAll("[data-choose]"))
    button.setAttribute("aria-pressed", String(button.dataset.choose === scheme));
  if (!remember) return;
  try {
    localStorage.setItem("ringsweep-light", scheme);
  } catch {
    /* it is for this time only */
  }
}

function remembered() {
  try {
    return localStorage.getItem("ringsweep-light");
  } catch {
    return null;
  }
}

const system = matchMedia("(prefers-color-scheme: light)").matches ? "light" : "dark";
choose(["dark", "light", "red"].includes(remembered()) ? remembered() : system, false);
for (const button of document.querySelectorAll("[data-choose]"))
  button.addEventListener("click", () => choose(button.dataset.choose, true));
addEventListener("beforeprint", () =>
  document.querySelectorAll("details").forEach((one) => (one.open = true)),
);

document.getElementById("plain").remove();
if (several) home.append(cardPart(show));
home.append(place);
show(firstShown(), false);
