// What every part of the page uses: elements, what a burst is, words.

const data = JSON.parse(document.getElementById("data").textContent);

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(
    ...children.flat(Infinity).filter((child) => child !== null && child !== undefined),
  );
  return element;
}

// An element of the page.
function make(name, attributes, ...children) {
  return fill(document.createElement(name), attributes, children);
}

// A sentence whose options of the command line stay on one line each.
function sentence(text) {
  return text
    .split(/(--[a-z][a-z-]*[a-z])/)
    .map((piece, i) => (i % 2 ? make("span", { class: "option" }, piece) : piece));
}

// An element of a drawing.
function draw(name, attributes, ...children) {
  return fill(document.createElementNS("http://www.w3.org/2000/svg", name), attributes, children);
}

function bytesOf(base64) {
  return Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
}

// With a true minus sign, and none before zero: numbers of the charts' axes as well.
d3.formatDefaultLocale({
  decimal: ".",
  thousands: "",
  grouping: [3],
  currency: ["", ""],
  minus: "−",
});

function rounded(value, digits) {
  return d3.format(`.${digits}f`)(value);
}

function px(value, digits = 1) {
  return `${rounded(value, digits)} px`;
}

const flagWords = {
  dark: "flash missed",
  dim: "flash weak",
  "partly-lit": "flash on a part only",
  shaken: "camera shook",
  moved: "does not go with the others",
  idle: "nothing new",
  unreadable: "cannot be read",
  "other-settings": "other camera settings",
  "other-picture": "something else in it",
};

const roleSubject = 1;

// Depths of the picture's tiles: position in px (NaN where not known) and role.
function readTiles(tiles) {
  if (!tiles) return null;
  const bytes = bytesOf(tiles.positions);
  const count = tiles.rows * tiles.cols;
  const q = new Float64Array(count);
  for (let i = 0; i < count; ++i) {
    const value = bytes[2 * i] + 256 * bytes[2 * i + 1];
    q[i] = value === 0 ? NaN : tiles.low + (value - 1) * tiles.step;
  }
  return { rows: tiles.rows, cols: tiles.cols, place: tiles.place, q, roles: bytesOf(tiles.roles) };
}

// Scenes that no burst shows whole, but several together: each stands after the bursts, as one of
// them.
const together = data.report.scenes.filter((scene) => scene.whole);
const shownBursts = [...data.report.bursts, ...together.map((scene) => scene.whole)];

const opened = [];

// Everything of one burst, put together once.
function burstOf(index) {
  if (opened[index]) return opened[index];
  const report = shownBursts[index];
  const scene = together[index - data.report.bursts.length] ?? null;
  const page = data.pages[index];
  const frames = report.frames.map((frame, k) => ({
    ...frame,
    k,
    label: page.labels[k],
    clock: page.clock[k],
    place: page.places[k],
    q: frame.focus_px,
  }));
  const tiles = readTiles(page.tiles);
  const subject = [];
  if (tiles && report.subject_px)
    tiles.q.forEach((q, i) => {
      if (tiles.roles[i] === roleSubject && !Number.isNaN(q)) subject.push(q);
    });
  subject.sort((a, b) => a - b);
  const sorted = frames
    .filter((f) => f.usable && f.q !== null)
    .sort((a, b) => a.q - b.q || a.k - b.k);
  const near = report.near_side.from !== "unknown" && page.ends.some((end) => end !== "");
  const rising = report.sweeps.length === 0 || sweepRises(report.sweeps[0], frames);
  const pictures = document.getElementById(`pictures-${index + 1}`);
  opened[index] = {
    index,
    scene,
    report,
    page,
    frames,
    tiles,
    subject,
    sorted,
    near,
    // As the stack list: the nearest first where that is known, else from where one began.
    flip: near ? true : !rising,
    limit: report.blur_limit_px,
    step: report.allowed_step_px,
    pictures: pictures ? JSON.parse(pictures.textContent) : { frames: [], look: null, proofs: [] },
  };
  return opened[index];
}

function sweepRises(sweep, frames) {
  const known = frames.slice(sweep.first - 1, sweep.last).filter((frame) => frame.q !== null);
  return known.length < 2 || known[known.length - 1].q >= known[0].q;
}

function endWords(burst) {
  return burst.near ? ["near", "far"] : ["you began", "you stopped"];
}

// Frames in capture order as "2101, 2103 and 2105 to 2109".
function listOfFrames(burst, indices) {
  const parts = [];
  for (let i = 0; i < indices.length;) {
    let j = i;
    while (j + 1 < indices.length && indices[j + 1] === indices[j] + 1) ++j;
    if (j - i >= 2)
      parts.push(`${burst.frames[indices[i]].label} to ${burst.frames[indices[j]].label}`);
    else for (let k = i; k <= j; ++k) parts.push(burst.frames[indices[k]].label);
    i = j + 1;
  }
  return parts.length < 2
    ? parts.join("")
    : `${parts.slice(0, -1).join(", ")} and ${parts[parts.length - 1]}`;
}

// A part of the page with its heading. Later parts may be empty: they are left away.
function part(id, title, ...children) {
  return make(
    "section",
    { id, class: "part", "aria-labelledby": `${id}-title` },
    make("h2", { id: `${id}-title` }, title),
    ...children,
  );
}

// Rows under their headings.
// `entries`: on a narrow page each row stands by itself, its cells one below the other.
function table(headings, rows, kind) {
  return make(
    "table",
    { class: kind },
    make("thead", {}, make("tr", {}, headings.map((t) => make("th", { scope: "col" }, t)))),
    make("tbody", {}, rows),
  );
}

// Where it is wider than the page, it is what scrolls.
function scrolling(label, child) {
  return make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": label }, child);
}

function copyButton(words, text) {
  const button = make("button", { type: "button", class: "small" }, words);
  button.addEventListener("click", () => copyText(text(), button, words));
  return button;
}

// Without the right to the clipboard, as in some browsers for pages from a file, by selection.
function copyText(text, button, words) {
  const say = (done) => {
    button.textContent = done ? "Copied" : "Select it by hand";
    setTimeout(() => (button.textContent = words), 1500);
  };
  const bySelection = () => {
    const area = make("textarea", { class: "unseen", "aria-hidden": "true", tabindex: -1 });
    area.value = text;
    document.body.append(area);
    area.select();
    const done = document.execCommand("copy");
    area.remove();
    button.focus();
    say(done);
  };
  if (navigator.clipboard) navigator.clipboard.writeText(text).then(() => say(true), bySelection);
  else bySelection();
}

// A drawing that is made anew where its width changes.
function drawing(className, render) {
  const box = make("div", { class: className });
  let last = 0;
  const redraw = () => {
    const width = Math.floor(box.clientWidth);
    if (width > 0) box.replaceChildren(render(width));
    last = width;
  };
  new ResizeObserver(() => {
    if (Math.floor(box.clientWidth) !== last) redraw();
  }).observe(box);
  return { box, redraw };
}

// An axis of a drawing, its numbers round, without the line along it.
function numberedAxis(axis, x, y) {
  const numbers = draw("g", { class: "numbered", transform: `translate(${x} ${y})` });
  d3.select(numbers).call(axis).select(".domain").remove();
  return numbers;
}
