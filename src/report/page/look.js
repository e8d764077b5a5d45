// The picture, what is wrong drawn where it is, and which frame is sharp at a place.

const matrix = (m) => `matrix(${m[0]} ${m[3]} ${m[1]} ${m[4]} ${m[2]} ${m[5]})`;

function inverse([a, b, c, d, e, f]) {
  const det = a * e - b * d;
  return [e / det, -b / det, (b * f - c * e) / det, -d / det, a / det, (c * d - a * f) / det];
}

const applied = ([a, b, c, d, e, f], x, y) => [a * x + b * y + c, d * x + e * y + f];

// The tiles for which `wanted` holds, as one shape of squares.
function squares(tiles, wanted) {
  let path = "";
  for (let row = 0; row < tiles.rows; ++row)
    for (let col = 0; col < tiles.cols; ++col) {
      if (!wanted(row * tiles.cols + col)) continue;
      let end = col + 1;
      while (end < tiles.cols && wanted(row * tiles.cols + end)) ++end;
      path += `M${col} ${row}H${end}V${row + 1}H${col}z`;
      col = end;
    }
  return path;
}

// Smoother: each tile as most of the nine around it are, twice. Only for the eye.
function smoothed(tiles, wanted) {
  let on = Uint8Array.from(tiles.q, (q, i) => (wanted(i) ? 1 : 0));
  for (let pass = 0; pass < 2; ++pass) {
    const next = new Uint8Array(on.length);
    for (let row = 0; row < tiles.rows; ++row)
      for (let col = 0; col < tiles.cols; ++col) {
        let count = 0;
        for (let r = Math.max(0, row - 1); r <= Math.min(tiles.rows - 1, row + 1); ++r)
          for (let c = Math.max(0, col - 1); c <= Math.min(tiles.cols - 1, col + 1); ++c)
            count += on[r * tiles.cols + c];
        next[row * tiles.cols + col] = count >= 4 ? 1 : 0;
      }
    on = next;
  }
  return (i) => on[i] === 1;
}

// The edges between tiles for which `wanted` holds and others.
function outline(tiles, wanted) {
  const has = (row, col) =>
    row >= 0 && col >= 0 && row < tiles.rows && col < tiles.cols && wanted(row * tiles.cols + col);
  let path = "";
  for (let row = 0; row <= tiles.rows; ++row)
    for (let col = 0; col <= tiles.cols; ++col) {
      if (has(row, col) !== has(row - 1, col)) path += `M${col} ${row}h1`;
      if (has(row, col) !== has(row, col - 1)) path += `M${col} ${row}v1`;
    }
  return path;
}

function depthPicture(burst) {
  const { tiles } = burst;
  const [low, high] = burst.report.subject_px ?? [
    Math.min(...tiles.q.filter((q) => !Number.isNaN(q))),
    Math.max(...tiles.q.filter((q) => !Number.isNaN(q))),
  ];
  const canvas = make("canvas", { width: tiles.cols, height: tiles.rows });
  const context = canvas.getContext("2d");
  const pixels = context.createImageData(tiles.cols, tiles.rows);
  tiles.q.forEach((q, i) => {
    if (Number.isNaN(q)) return;
    const t = high > low ? Math.min(1, Math.max(0, (q - low) / (high - low))) : 0.5;
    const colour = data.colours[Math.round(t * (data.colours.length - 1))];
    pixels.data.set([...colour, tiles.roles[i] === roleSubject ? 255 : 120], 4 * i);
  });
  context.putImageData(pixels, 0, 0);
  return canvas.toDataURL("image/png");
}

const kindWords = {
  gap: "gap",
  soft: "soft place",
  open: "open end",
  moved: "moved",
  trembled: "trembled",
  drops: "drops lost",
};

function lookPart(burst) {
  const { tiles } = burst;
  if (!burst.pictures.look || !tiles) return null;
  const [width, height] = burst.page.size;
  const isSubject = (i) => tiles.roles[i] === roleSubject && !Number.isNaN(tiles.q[i]);
  const isSoft = (i) =>
    isSubject(i) && !burst.sorted.some((f) => Math.abs(f.q - tiles.q[i]) <= burst.limit);
  const place = { transform: matrix(tiles.place) };
  const edgeOfSubject = outline(tiles, smoothed(tiles, isSubject));
  const edge = Math.hypot(tiles.place[0], tiles.place[3]);
  const layers = {
    depth: draw(
      "g",
      { hidden: true },
      draw("rect", { width, height, class: "behind" }),
      draw("image", {
        ...place,
        href: depthPicture(burst),
        width: tiles.cols,
        height: tiles.rows,
        class: "blocks",
      }),
    ),
    subject: draw(
      "g",
      {},
      draw("path", { ...place, d: edgeOfSubject, class: "outline under" }),
      draw("path", { ...place, d: edgeOfSubject, class: "outline" }),
    ),
    soft: draw(
      "g",
      {},
      draw("path", { ...place, d: squares(tiles, isSoft), class: "unsharp" }),
      draw("path", { ...place, d: squares(tiles, isSoft), class: "unsharp lines" }),
    ),
    moved: draw("g", {}),
    drops: draw("g", {}),
  };
  const numbered = (finding, i, shape) => {
    const [x, y, w] = finding.box;
    const size = Math.max(width, height) / 34;
    return draw(
      "g",
      { class: `found ${finding.kind}` },
      shape,
      draw(
        "text",
        { class: "number-under", x: x + w + size * 0.2, y: y + size, "font-size": size },
        String(i + 1),
      ),
      draw(
        "text",
        { class: "number-over", x: x + w + size * 0.2, y: y + size, "font-size": size },
        String(i + 1),
      ),
    );
  };
  burst.page.findings.forEach((finding, i) => {
    if (!finding.box) return;
    const [x, y, w, h] = finding.box;
    if (finding.kind === "moved" || finding.kind === "trembled")
      layers.moved.append(
        numbered(finding, i, [
          draw("rect", { x, y, width: w, height: h, class: "under" }),
          draw("rect", { x, y, width: w, height: h, class: "over" }),
        ]),
      );
    if (finding.kind === "drops") {
      const round = { cx: x + w / 2, cy: y + h / 2, rx: w / 2 + edge, ry: h / 2 + edge };
      layers.drops.append(
        numbered(finding, i, [
          draw("ellipse", { ...round, class: "under" }),
          draw("ellipse", { ...round, class: "over" }),
        ]),
      );
    }
  });
  const mark = draw(
    "g",
    { class: "mark", visibility: "hidden" },
    draw("circle", { r: edge * 3, class: "under" }),
    draw("circle", { r: edge * 3, class: "over" }),
  );
  const svg = draw(
    "svg",
    { viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" },
    draw("image", { href: burst.pictures.look.src, width, height }),
    Object.values(layers),
    mark,
  );
  const answer = make("div", { class: "answer", "aria-live": "polite" });
  const at = { x: width / 2, y: height / 2 };
  const show = () => {
    mark.setAttribute("transform", `translate(${at.x} ${at.y})`);
    mark.setAttribute("visibility", "visible");
    answer.replaceChildren(...placeAnswer(burst, at.x, at.y));
  };
  const press = make("button", {
    type: "button",
    class: "touch",
    "aria-label":
      "The picture. Tap a place, or move the mark with the arrow keys, to see which frame is sharp there.",
    onclick: (event) => {
      if (event.detail > 0) {
        const box = press.getBoundingClientRect();
        at.x = ((event.clientX - box.left) / box.width) * width;
        at.y = ((event.clientY - box.top) / box.height) * height;
      }
      show();
    },
    onkeydown: (event) => {
      const [dx, dy] = {
        ArrowLeft: [-1, 0],
        ArrowRight: [1, 0],
        ArrowUp: [0, -1],
        ArrowDown: [0, 1],
      }[event.key] ?? [0, 0];
      if (dx === 0 && dy === 0) return;
      event.preventDefault();
      at.x = Math.min(width - 1, Math.max(0, at.x + 2 * dx * edge));
      at.y = Math.min(height - 1, Math.max(0, at.y + 2 * dy * edge));
      show();
    },
  });
  const names = {
    subject: "Subject",
    soft: "Not sharp",
    moved: "Moved",
    drops: "Drops",
    depth: "Depth",
  };
  const empty = {
    subject: !tiles.q.some((q, i) => isSubject(i)),
    soft: !tiles.q.some((q, i) => isSoft(i)),
    moved: !layers.moved.childNodes.length,
    drops: !layers.drops.childNodes.length,
    depth: false,
  };
  const [left, right] = endWords(burst);
  const scale = burst.report.subject_px
    ? make(
        "p",
        { class: "depth-scale", hidden: true },
        make("span", {}, burst.flip ? right : left),
        make("span", {
          class: "strip",
          style: `background:linear-gradient(to right,${data.colours
            .filter((c, i) => i % 15 === 0)
            .map((c) => `rgb(${c.join(" ")})`)
            .join(",")})`,
        }),
        make("span", {}, burst.flip ? left : right),
      )
    : null;
  const switches = Object.entries(names).map(([name, words]) => {
    const button = make(
      "button",
      {
        type: "button",
        class: "switch",
        "aria-pressed": String(name !== "depth" && !empty[name]),
        disabled: empty[name],
      },
      empty[name] ? `${words}: none` : words,
    );
    button.addEventListener("click", () => {
      const on = button.getAttribute("aria-pressed") !== "true";
      button.setAttribute("aria-pressed", String(on));
      layers[name].toggleAttribute("hidden", !on);
      if (name === "depth") scale?.toggleAttribute("hidden", !on);
    });
    return button;
  });
  return part(
    "look",
    "The picture",
    make(
      "p",
      { class: "hint" },
      "Each place as the sharpest frame shows it: a quick look, no stack. Tap a place to see which frames show it.",
    ),
    make(
      "div",
      { class: "switches", role: "group", "aria-label": "Shown in the picture" },
      switches,
    ),
    make("div", { class: "picture", style: `aspect-ratio:${width}/${height}` }, svg, press),
    scale,
    answer,
  );
}

// What a frame shows of the upright reference frame's square around a place.
function pieceOf(burst, frame, box, words) {
  const picture = burst.pictures.frames[frame.k];
  const [x, y, w, h] = box;
  const [width, height] = burst.page.size;
  const view = draw(
    "svg",
    { viewBox: `${x} ${y} ${w} ${h}`, role: "img", "aria-label": words },
    picture
      ? draw("image", {
          href: picture.src,
          width,
          height,
          transform: matrix(frame.place),
          preserveAspectRatio: "none",
        })
      : null,
  );
  return make("figure", {}, view, make("figcaption", {}, words));
}

function placeAnswer(burst, x, y) {
  const { tiles } = burst;
  const [col, row] = applied(inverse(tiles.place), x, y).map(Math.floor);
  const q =
    row >= 0 && col >= 0 && row < tiles.rows && col < tiles.cols
      ? tiles.q[row * tiles.cols + col]
      : NaN;
  if (Number.isNaN(q))
    return [make("p", {}, "No depth is known there: smooth, empty, or blurred in every frame.")];
  if (burst.sorted.length === 0) return [make("p", {}, "No frame can be used.")];
  const best = burst.sorted.reduce((a, b) => (Math.abs(b.q - q) < Math.abs(a.q - q) ? b : a));
  const i = burst.sorted.indexOf(best);
  const around = [burst.sorted[i - 1], best, burst.sorted[i + 1]];
  if (burst.flip) around.reverse();
  const off = Math.abs(best.q - q);
  const side = Math.max(burst.page.size[0], burst.page.size[1]) / 7;
  const box = [x - side / 2, y - side / 2, side, side];
  const step = (a, b) => (a && b ? `${a.label} to ${b.label}: ${px(Math.abs(a.q - b.q))}` : null);
  const steps = [step(around[0], around[1]), step(around[1], around[2])].filter(Boolean).join("; ");
  return [
    make(
      "p",
      {},
      make(
        "strong",
        {},
        off <= burst.limit ? `Sharp in ${best.label}` : `Sharp in no frame; best in ${best.label}`,
      ),
      `, blurred by ${px(off)} (up to ${px(burst.limit)} counts as sharp). Steps: ${steps}, up to ${px(burst.step)} leave all sharp.`,
    ),
    make(
      "div",
      { class: "pieces" },
      around
        .filter(Boolean)
        .map((frame) =>
          pieceOf(
            burst,
            frame,
            box,
            `${frame.label}${frame === best ? ", sharpest" : ""}: ${px(Math.abs(frame.q - q))}`,
          ),
        ),
    ),
  ];
}
