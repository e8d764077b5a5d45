// What was found, each with the two frames that prove it.

function findingsPart(burst) {
  const list = burst.page.findings;
  if (list.length === 0) return null;
  return part(
    "found",
    `What was found (${list.length})`,
    make(
      "ol",
      { class: "findings" },
      list.map((finding, i) => findingCard(burst, finding, i)),
    ),
  );
}

function findingCard(burst, finding, i) {
  const [before, after] = burst.pictures.proofs[i] ?? [];
  const card = make(
    "li",
    { class: `finding ${finding.kind}` },
    make("h3", {}, make("span", { class: "count" }, String(i + 1)), ` ${finding.words}`),
    make(
      "p",
      { class: "numbers" },
      finding.decides ? "" : "A note; the verdict does not hang on it. ",
      finding.numbers,
    ),
  );
  if (before && after) card.append(proof(burst, finding, before, after));
  return card;
}

// Where in the crop to look, for what is smaller than it.
function ringAround(finding) {
  const [x, y, w, h] = finding.crop;
  if (!finding.box || !["moved", "trembled", "drops"].includes(finding.kind)) return null;
  const [bx, by, bw, bh] = finding.box;
  const style = `left:${(100 * (bx - x)) / w}%;top:${(100 * (by - y)) / h}%;width:${(100 * bw) / w}%;height:${(100 * bh) / h}%`;
  return make("span", { class: "around", style });
}

function proof(burst, finding, before, after) {
  const words = (k, when) => {
    const frame = burst.frames[k];
    const off =
      finding.q_px === null || frame.q === null
        ? ""
        : `, ${px(Math.abs(frame.q - finding.q_px))} off`;
    return `${frame.label}${when}${off}`;
  };
  const times =
    finding.kind === "moved" || finding.kind === "trembled" || finding.kind === "drops"
      ? [", before", ", after"]
      : ["", ""];
  const figure = (picture, text, shown) =>
    make(
      "figure",
      { "data-shown": String(shown) },
      make(
        "div",
        { class: "shot" },
        make("img", {
          src: picture.src,
          width: picture.w,
          height: picture.h,
          alt: `The place in frame ${text}`,
        }),
        ringAround(finding),
      ),
      make("figcaption", {}, text),
    );
  const pair = make(
    "div",
    { class: "pair" },
    figure(before, words(finding.before, times[0]), true),
    figure(after, words(finding.after, times[1]), false),
  );
  const button = make(
    "button",
    { type: "button", class: "small", "aria-pressed": "false" },
    "Blink",
  );
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  let timer = 0;
  const swap = () => {
    for (const one of pair.children) one.dataset.shown = one.dataset.shown !== "true";
  };
  const stop = () => {
    clearInterval(timer);
    timer = 0;
    pair.classList.remove("blinking");
    button.textContent = "Blink";
    button.setAttribute("aria-pressed", "false");
  };
  button.addEventListener("click", () => {
    // Who wants no motion turns the two over by hand.
    if (calm.matches && pair.classList.contains("blinking")) return swap();
    if (timer) return stop();
    pair.classList.add("blinking");
    button.setAttribute("aria-pressed", "true");
    if (calm.matches) button.textContent = "Turn over";
    else {
      button.textContent = "Side by side";
      timer = setInterval(swap, 700);
    }
  });
  return make("div", { class: "proof" }, pair, button);
}
