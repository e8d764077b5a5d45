// The frames as a strip, and one of them large.

function frameWords(burst, frame) {
  const flags = frame.flags.map((flag) => flagWords[flag] ?? flag);
  if (!frame.usable && flags.length === 0) flags.push("covers nothing");
  return flags;
}

// Whether it is in the list for the stack, and why not.
function stackWords(burst, frame) {
  const lists = burst.page.stack?.lists ?? [];
  const own =
    lists.find((list) => list.why[frame.k] === "in the stack") ??
    lists.find((list) => list.pose + 1 === frame.pose) ??
    lists[0];
  return own ? own.why[frame.k] : "";
}

function framesPart(burst) {
  const shown = burst.frames.map((frame) => {
    const picture = burst.pictures.frames[frame.k];
    const flags = frameWords(burst, frame);
    const words = stackWords(burst, frame);
    return make(
      "li",
      {},
      make(
        "button",
        {
          type: "button",
          class: `frame${frame.usable ? "" : " unused"}`,
          onclick: () => showLarge(burst, frame.k),
        },
        picture
          ? make("img", {
              src: picture.src,
              width: picture.w,
              height: picture.h,
              loading: "lazy",
              decoding: "async",
              alt: "",
            })
          : make("span", { class: "no-picture" }, "no picture"),
        make("span", { class: "label" }, frame.label),
        make("span", { class: "flags" }, flags.length ? flags.join(", ") : words),
      ),
    );
  });
  const unused = burst.frames.filter((f) => f.flags.length || !f.usable).length;
  return part(
    "frames",
    `The frames (${burst.frames.length})`,
    make(
      "p",
      { class: "hint" },
      unused
        ? `${unused} of them ${unused === 1 ? "has" : "have"} something to say. Tap one to see it large.`
        : "Nothing is wrong with any of them. Tap one to see it large.",
    ),
    make("ol", { class: "strip-of-frames" }, shown),
  );
}

function showLarge(burst, k) {
  const dialog = document.getElementById("large");
  const frame = burst.frames[k];
  const picture = burst.pictures.frames[k];
  const go = (to, words, off) =>
    make(
      "button",
      { type: "button", "data-go": words, disabled: off, onclick: () => showLarge(burst, to) },
      words,
    );
  const rows = [
    ["File", frame.file],
    [
      "Shot at",
      frame.clock ||
        (frame.time_s === null ? "not known" : `${frame.time_s.toFixed(2)} s after the first`),
    ],
    [
      "Position",
      frame.q === null
        ? "not known"
        : `${px(frame.q, 2)} of blur, uncertainty ${px(frame.focus_sd_px ?? 0, 2)}`,
    ],
    [
      "Light",
      frame.gain_ev === null
        ? "not known"
        : `${rounded(frame.gain_ev, 1)} EV against the fully lit frames`,
    ],
    ["Shake", frame.shake_px === null ? "cannot be told" : px(frame.shake_px)],
    ["Seen", frameWords(burst, frame).join(", ") || "nothing wrong"],
    ["Stack", stackWords(burst, frame) || "no list"],
  ];
  if (frame.problem) rows.push(["Problem", frame.problem]);
  const held = dialog.open ? document.activeElement?.dataset?.go : null;
  dialog.replaceChildren(
    make("h2", { id: "large-title" }, `Frame ${frame.label}`),
    picture
      ? make("img", {
          src: picture.src,
          width: picture.w,
          height: picture.h,
          alt: `Frame ${frame.label}`,
        })
      : make("p", {}, "There is no picture of it."),
    make(
      "div",
      { class: "turn" },
      go(k - 1, "Earlier", k === 0),
      make("button", { type: "button", onclick: () => dialog.close() }, "Close"),
      go(k + 1, "Later", k === burst.frames.length - 1),
    ),
    make(
      "dl",
      {},
      rows.map(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]),
    ),
  );
  if (!dialog.open) dialog.showModal();
  if (held) dialog.querySelector(`[data-go="${held}"]:not([disabled])`)?.focus();
}
