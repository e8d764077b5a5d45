// The frames for the stack: the list of `stacklist --from --to`, made in the same way here
// (src/burst/stack_list.cpp).

const whole = (value) => Math.round(value * 1e6); // sums of whole millionths of a px are exact

function inside(range, from, to) {
  const [low, high] = [Math.max(from, whole(range.low)), Math.min(to, whole(range.high))];
  if (low >= high) return 0;
  return range.empty.reduce(
    (length, [a, b]) => length - Math.max(0, Math.min(high, whole(b)) - Math.max(low, whole(a))),
    high - low,
  );
}

function missed(range, lower, upper, reach) {
  return inside(
    range,
    lower === null ? -Infinity : lower + reach,
    upper === null ? Infinity : upper - reach,
  );
}

// Lists of all good frames, one a pose.
function goodFrames(stack, wanted, limit) {
  const range = { ...wanted, empty: stack.empty };
  const reaches = [whole((1 - stack.overlap) * limit), whole(limit)];
  const frames = stack.frames.map((frame, k) => ({
    ...frame,
    k,
    at: frame.q === null ? null : whole(frame.q),
  }));
  const usable = frames.filter((f) => f.good && f.at !== null);
  const poses = [...new Set(usable.map((f) => f.pose))].sort((a, b) => a - b);
  return poses.map((pose) => {
    const list = usable.filter((f) => f.pose === pose).sort((a, b) => a.at - b.at || a.k - b.k);
    const canGo = (i) => {
      const lower = i > 0 ? list[i - 1].at : null,
        upper = i + 1 < list.length ? list[i + 1].at : null;
      return reaches.every(
        (r) =>
          missed(range, lower, upper, r) ===
          missed(range, lower, list[i].at, r) + missed(range, list[i].at, upper, r),
      );
    };
    const dropIfItCanGo = (k) => {
      const i = list.findIndex((f) => f.k === k);
      if (i < 0) return true;
      if (!canGo(i)) return false;
      list.splice(i, 1);
      return true;
    };
    while (list.length && list[0].at < whole(range.low) && canGo(0)) list.shift();
    while (list.length && list[list.length - 1].at > whole(range.high) && canGo(list.length - 1))
      list.pop();
    for (const group of standingStill(
      usable.filter((f) => f.pose === pose),
      0.1 * 2 * limit,
    )) {
      const best = group.reduce((a, b) =>
        b.moved < a.moved || (b.moved === a.moved && b.defect < a.defect) ? b : a,
      );
      let othersLeft = false;
      for (const frame of group) if (frame !== best && !dropIfItCanGo(frame.k)) othersLeft = true;
      if (othersLeft) dropIfItCanGo(best.k);
    }
    return { pose, frames: list.map((f) => f.k) };
  });
}

// Frames, in capture order, that stand still together.
function standingStill(frames, near) {
  const groups = [],
    open = new Map();
  for (const frame of frames.sort((a, b) => a.k - b.k)) {
    const latest = open.get(frame.sweep);
    if (frame.idle && latest && Math.abs(frame.q - latest[0].q) < near) {
      latest.push(frame);
      continue;
    }
    const group = [frame];
    groups.push(group);
    open.set(frame.sweep, group);
  }
  return groups;
}

// As a shell takes it back: quoted where it must be (POSIX, 2.2.2).
function shellWord(word) {
  return /^[\w\-.,:@%+=~/]+$/.test(word) ? word : `'${word.replaceAll("'", "'\\''")}'`;
}

function stackPanel(burst) {
  const box = make("div", { class: "stack", id: `stack-${burst.index + 1}` });
  const show = (range, ends) => {
    box.replaceChildren();
    if (!burst.page.stack)
      return box.append(
        make(
          "p",
          {},
          "There is no list for the stack: where the frames focus is not known well enough.",
        ),
      );
    const lists = goodFrames(burst.page.stack, range, burst.limit).filter(
      (list) => list.frames.length,
    );
    const [from, to] = (ends ?? []).map((frame) => shellWord(frame.label));
    const span = ends ? ` --from ${from} --to ${to}` : "";
    // Of several bursts as one the paths must hold no other.
    const everything = burst.scene?.bursts.length === data.report.bursts.length;
    const command =
      burst.scene && !everything
        ? null
        : `ringsweep stacklist ${burst.scene ? "--as-one " : ""}${data.paths}${span}`;
    const several = lists.length > 1;
    const everyBurst = data.report.bursts.length > 1 && !burst.scene;
    const copies = [];
    lists.forEach((list) => {
      const ordered = burst.flip ? [...list.frames].reverse() : list.frames;
      const names = ordered.map((k) => burst.frames[k].file).join("\n");
      const of = several
        ? `, before or after what moved (list ${list.pose + 1} of ${lists.length})`
        : "";
      box.append(
        make(
          "div",
          { class: "list" },
          make("h3", {}, `${list.frames.length} frames for the stack${of}`),
          make(
            "p",
            { class: "frames-said" },
            listOfFrames(
              burst,
              [...list.frames].sort((a, b) => a - b),
            ),
          ),
          make(
            "details",
            { class: "names" },
            make("summary", {}, "Names of the files"),
            make("pre", { tabindex: 0 }, names),
          ),
          several ? copyButton("Copy the names", () => names) : null,
        ),
      );
      copies.push(several ? null : copyButton("Copy the names", () => names));
    });
    fill(box, {}, [
      command
        ? make(
            "p",
            { class: "command" },
            make(
              "code",
              {},
              command.split(/(?<= )/).map((word) => make("span", {}, word)),
            ),
          )
        : make(
            "p",
            { class: "hint" },
            "To copy them: ",
            make("code", {}, "ringsweep stacklist --as-one"),
            ", and the pictures of these bursts.",
          ),
      everyBurst && !ends
        ? make("p", { class: "hint" }, "It names the frames of every burst.")
        : null,
      make(
        "p",
        { class: "copies" },
        copies,
        command ? copyButton("Copy the command", () => command) : null,
      ),
    ]);
  };
  return { box, show };
}
