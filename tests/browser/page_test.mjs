// report.html as a reader has it: opened from its file in Chromium, at three widths, on the sample
// bursts. node page_test.mjs RINGSWEEP SAMPLE_BURSTS OUT [SCREENSHOTS]
//
// Needs `npm install --prefix tests/browser` (or RINGSWEEP_NODE_MODULES, a folder that has the two
// packages) and Chromium (or RINGSWEEP_CHROMIUM); without them it skips, status 77.

import assert from "node:assert/strict";
import { execFileSync, spawnSync } from "node:child_process";
import {
  copyFileSync,
  existsSync,
  mkdirSync,
  readFileSync,
  readdirSync,
  statSync,
  writeFileSync,
} from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { inflateSync } from "node:zlib";

const [ringsweep, samples, out, screenshots] = process.argv.slice(2);

function skip(why) {
  console.log(`Skipped: ${why}`);
  process.exit(77);
}

function packages() {
  const from = process.env.RINGSWEEP_NODE_MODULES;
  const require = createRequire(from ? join(from, "x.js") : import.meta.url);
  try {
    return {
      chromium: require("playwright-core").chromium,
      axe: readFileSync(require.resolve("axe-core/axe.min.js"), "utf8"),
    };
  } catch {
    return skip(
      "playwright-core and axe-core are not installed (npm install --prefix tests/browser)",
    );
  }
}

const browserPath = [process.env.RINGSWEEP_CHROMIUM, "/usr/bin/chromium"].find(
  (path) => path && existsSync(path),
);
if (!browserPath) skip("there is no Chromium (package chromium)");
const { chromium, axe } = packages();

const bursts = ["complete", "gap", "flash", "two-sweeps", "moved", "drops"];
const widths = [360, 820, 1440];
process.env.XDG_CACHE_HOME = "/dev/null"; // each run measures
const failures = [];

function check(what, test) {
  try {
    return test();
  } catch (error) {
    failures.push(`${what}: ${error.message.split("\n").slice(0, 6).join(" ")}`);
    return undefined;
  }
}

function makeReport(name, paths) {
  const folder = join(out, name);
  mkdirSync(folder, { recursive: true });
  spawnSync(ringsweep, ["check", ...paths, "--out", folder], { encoding: "utf8" });
  return join(folder, "report.html");
}

// Frames that `ringsweep stacklist` prints for a command of the page. With the report at hand nothing
// is looked for, and which bursts of a card are meant is not asked.
function listOf(command, report) {
  const words = command.split(" ").slice(1).filter((word) => word !== "--all");
  const text = spawnSync(
    ringsweep,
    [...words, "--report", report.replace("report.html", "report.json"), "--list", "-"],
    { encoding: "utf8" },
  ).stdout;
  return text
    .split("\n")
    .map((line) => line.trim().split("/").pop())
    .filter((line) => /\.JPG$/.test(line));
}

// Colours of an 8-bit RGB or RGBA picture: the greatest of each channel. PNG (ISO/IEC 15948).
function greatestColours(png) {
  const width = png.readUInt32BE(16),
    height = png.readUInt32BE(20),
    channels = png[25] === 6 ? 4 : 3;
  const parts = [];
  for (let at = 8; at < png.length;) {
    const length = png.readUInt32BE(at);
    if (png.toString("latin1", at + 4, at + 8) === "IDAT")
      parts.push(png.subarray(at + 8, at + 8 + length));
    at += length + 12;
  }
  const raw = inflateSync(Buffer.concat(parts)),
    row = width * channels,
    most = [0, 0, 0];
  let above = new Uint8Array(row);
  for (let y = 0; y < height; ++y) {
    const filter = raw[y * (row + 1)],
      line = new Uint8Array(row);
    for (let x = 0; x < row; ++x) {
      const a = x >= channels ? line[x - channels] : 0,
        b = above[x],
        c = x >= channels ? above[x - channels] : 0;
      const nearest =
        Math.abs(b - c) <= Math.abs(a - c) && Math.abs(b - c) <= Math.abs(a + b - 2 * c)
          ? a
          : Math.abs(a - c) <= Math.abs(a + b - 2 * c)
            ? b
            : c;
      line[x] = raw[y * (row + 1) + 1 + x] + [0, a, b, (a + b) >> 1, nearest][filter];
      if (x % channels < 3) most[x % channels] = Math.max(most[x % channels], line[x]);
    }
    above = line;
  }
  return most;
}

async function open(browser, report, width, troubles) {
  const context = await browser.newContext({
    viewport: { width, height: width < 500 ? 740 : 900 },
  });
  await context.grantPermissions(["clipboard-read", "clipboard-write"]).catch(() => {});
  const page = await context.newPage();
  page.on("pageerror", (error) => troubles.push(`script error: ${error.message}`));
  page.on(
    "console",
    (message) => message.type() === "error" && troubles.push(`console: ${message.text()}`),
  );
  page.on("request", (request) => {
    if (!request.url().startsWith("data:") && request.url() !== `file://${report}`)
      troubles.push(`asks for ${request.url()}`);
  });
  await page.goto(`file://${report}`);
  // A page that still glides to a tag moves it away from the mouse.
  await page.addStyleTag({ content: "html { scroll-behavior: auto !important; }" });
  return { context, page };
}

async function seriousFaults(page) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => axe.run());
  return violations
    .filter((v) => ["serious", "critical", "moderate"].includes(v.impact))
    .map((v) => `${v.id}: ${v.nodes[0].html.slice(0, 100)}`);
}

// Nothing sticks out of the page, and what is to be tapped is large enough: 24 px (WCAG 2.2, 2.5.8).
function layoutFaults() {
  const faults = [];
  if (document.documentElement.scrollWidth > innerWidth)
    faults.push(`page ${document.documentElement.scrollWidth} px wide`);
  for (const element of document.querySelectorAll("main *, header *")) {
    if (element.closest(".strip-of-frames, .scroll, svg, .unseen, pre")) continue;
    const box = element.getBoundingClientRect();
    if (box.width > 0 && (box.right > innerWidth + 1 || box.left < -1))
      faults.push(`${element.tagName}.${element.className} sticks out`);
  }
  for (const element of document.querySelectorAll("button, summary, nav a")) {
    const box = element.getBoundingClientRect();
    if (box.width > 0 && (box.width < 24 || box.height < 24))
      faults.push(`${element.textContent} is ${box.width} x ${box.height} px`);
  }
  return faults.slice(0, 5);
}

async function noteFaults(name, page, troubles) {
  const faults = [
    ...(await page.evaluate(layoutFaults)),
    ...(await seriousFaults(page)),
    ...troubles,
  ];
  failures.push(...faults.map((fault) => `${name}: ${fault}`));
}

// The headline is the summary's first line without the frames that it is about.
const withoutFrames = (text) => text.replace(/^(Good|Not yet|Cannot tell), [^:,]+/, "$1");

async function tryControls(name, page, report) {
  const told = JSON.parse(readFileSync(report.replace("report.html", "report.json"), "utf8"))
    .bursts[0];
  // The verdict and the next step are those of the terminal.
  const printed = readFileSync(report.replace("report.html", "report.txt"), "utf8").replace(
    /\s+/g,
    " ",
  );
  const said = await page.locator("#verdict .sentence").innerText();
  check(`${name} verdict`, () =>
    assert.ok(withoutFrames(printed).startsWith(said.replace(/\s+/g, " ")), said),
  );
  const orders = [
    (await page.locator("#verdict .next").innerText()).replace(/^Next:\s*/, ""),
    ...(await page.locator("#verdict .then li").allInnerTexts()),
  ];
  const next = orders.join(" ");
  check(`${name} next step`, () => assert.equal(next.replace(/\s+/g, " "), told.advice.text));

  // A dot and a place on the way for each frame whose position is known, numbers along both charts.
  const placed = told.frames.filter((frame) => frame.focus_px !== null).length;
  const way = await page.locator("#ring .way").getAttribute("d");
  const marks = await page.locator("#ring .chart :is(.dot, .cross)").count();
  const bars = await page.locator("#depth .chart .bar").count();
  check(`${name} a place on the way a frame`, () => {
    assert.deepEqual([way.match(/[ML]/g).length, marks, bars], [placed, placed, placed]);
  });
  for (const [chart, axes] of [
    ["#depth", 1],
    ["#ring", 2],
  ]) {
    const numbers = await page.locator(`${chart} .numbered`).evaluateAll((list) =>
      list.map((axis) => [...axis.querySelectorAll("text")].map((text) => text.textContent)),
    );
    check(`${name} numbers along the chart ${chart}`, () => {
      assert.equal(numbers.length, axes);
      for (const axis of numbers) {
        assert.ok(axis.length >= 3, axis.join(" "));
        for (const number of axis) assert.match(number, /^−?\d+(\.\d+)?$/);
      }
    });
  }

  // Keyboard and finger set the wanted range; the list is the one the command makes.
  const command = () => page.locator(".command").innerText();
  const shown = async () =>
    (await page.locator(".names pre").allTextContents()).flatMap((text) => text.split("\n"));
  const whole = await command();
  check(`${name} list`, () => assert.ok(!whole.includes("--from"), whole));
  const same = async (what) => {
    const [line, list] = [await command(), await shown()];
    check(`${name} ${what}`, () =>
      assert.deepEqual([...list].sort(), [...listOf(line, report)].sort(), line),
    );
  };
  await same("list of the whole subject");
  const left = page.getByRole("slider", { name: "Left end of what is wanted" });
  const right = page.getByRole("slider", { name: "Right end of what is wanted" });
  const leftName = await left.getAttribute("data-handle");
  await left.focus();
  for (let i = 0; i < 5; ++i) await page.keyboard.press("ArrowRight");
  const focused = await page.evaluate(() => document.activeElement?.dataset?.handle);
  check(`${name} the tag keeps the focus`, () => assert.equal(focused, leftName));
  await right.focus();
  for (let i = 0; i < 3; ++i) await page.keyboard.press("ArrowLeft");
  const narrowed = await command();
  check(`${name} keyboard narrows the range`, () => assert.match(narrowed, /--from \S+ --to \S+/));
  await same("list of a part");
  // To the right; where the other tag is in the way, to the left.
  let dragged = narrowed;
  for (const way of [60, -60]) {
    if (dragged !== narrowed) break;
    await left.evaluate((tag) => tag.scrollIntoView({ block: "center", behavior: "instant" }));
    const grip = await left.locator(".tag-box").boundingBox();
    await page.mouse.move(grip.x + grip.width / 2, grip.y + grip.height / 2);
    await page.mouse.down();
    await page.mouse.move(grip.x + grip.width / 2 + way, grip.y + 4, { steps: 6 });
    await page.mouse.up();
    dragged = await command();
  }
  check(`${name} dragging moves the tag`, () => assert.notEqual(dragged, narrowed));
  await same("list after dragging");
  await page.getByRole("button", { name: "Whole subject" }).click();
  const again = await command();
  check(`${name} back to the whole subject`, () => assert.equal(again, whole));
  await page.getByRole("button", { name: "Copy the command" }).click();
  const copied = await page
    .getByRole("button", { name: /Copied|Select it by hand/ })
    .waitFor({ timeout: 1400 })
    .then(
      () => true,
      () => false,
    );
  check(`${name} copying says what it did`, () => assert.ok(copied));

  // Layers of the picture go on and off.
  for (const button of await page.locator(".switch:not([disabled])").all()) {
    const before = await button.getAttribute("aria-pressed");
    await button.click();
    const after = await button.getAttribute("aria-pressed");
    check(`${name} switch ${await button.innerText()}`, () => assert.notEqual(after, before));
    await button.click();
  }
  // A place in the picture.
  const picture = await page.locator(".touch").boundingBox();
  await page
    .locator(".touch")
    .click({ position: { x: picture.width * 0.55, y: picture.height * 0.4 } });
  const answer = await page.locator(".answer").innerText();
  check(`${name} tapping a place`, () => assert.match(answer, /Sharp in|No depth/));
  await page.locator(".touch").focus();
  await page.keyboard.press("ArrowLeft");
  const moved = await page.locator(".mark").getAttribute("transform");
  check(`${name} the mark goes by keyboard`, () => assert.match(moved, /^translate/));
  const pieces = await page.locator(".pieces figure").count();
  check(`${name} pieces`, () => assert.ok(pieces <= 3));

  // What was found has its proofs, and they blink.
  const found = await page.locator(".finding").count();
  const due =
    told.gaps.length +
    told.ends.filter((end) => end.state === "open").length +
    (told.moved ?? []).length;
  check(`${name} findings`, () => assert.ok(found >= due, `${found} of ${due}`));
  for (const card of await page.locator(".finding").all()) {
    const pictures = await card
      .locator("img")
      .evaluateAll((list) => list.map((img) => img.complete && img.naturalWidth > 0));
    check(`${name} proof`, () => assert.deepEqual(pictures, [true, true]));
    await card.getByRole("button", { name: "Blink" }).click();
    const visible = await card.locator("figure:visible").count();
    check(`${name} blinking shows one`, () => assert.equal(visible, 1));
    await card.getByRole("button", { name: "Side by side" }).click();
  }

  // A frame large, and its neighbours.
  await page.locator(".frame").first().click();
  await page.locator("dialog [data-go=Later]").click();
  const title = await page.locator("#large-title").innerText();
  check(`${name} the next frame`, () => assert.match(title, /\d{3}2$|\d/));
  await page.keyboard.press("Escape");
  const stillOpen = await page.locator("dialog[open]").count();
  check(`${name} Escape closes`, () => assert.equal(stillOpen, 0));
  const frames = await page.locator(".frame").count();
  check(`${name} a thumbnail a frame`, () => assert.equal(frames, told.frames.length));
}

async function trySchemes(name, page, width) {
  for (const scheme of ["light", "red", "dark"]) {
    await page.locator(`[data-choose=${scheme}]`).click();
    for (const fault of await seriousFaults(page)) failures.push(`${name} ${scheme}: ${fault}`);
    if (screenshots)
      await page.screenshot({
        path: join(screenshots, `${name}-${width}-${scheme}.png`),
        fullPage: true,
      });
    if (scheme !== "red") continue;
    await page.locator("#look").scrollIntoViewIfNeeded();
    const most = greatestColours(await page.screenshot());
    // 8 of 255: what is left by smoothing of letters.
    check(`${name} nothing but red`, () =>
      assert.ok(most[0] > 100 && most[1] <= 8 && most[2] <= 8, String(most)),
    );
    await page.reload();
    const kept = await page.evaluate(() => document.documentElement.dataset.scheme);
    check(`${name} the scheme is remembered`, () => assert.equal(kept, "red"));
  }
}

const browser = await chromium.launch({ executablePath: browserPath, args: ["--no-sandbox"] });
for (const burst of bursts) {
  const report = makeReport(burst, [join(samples, `meadow-${burst}`)]);
  check(`${burst} size`, () => assert.ok(statSync(report).size <= 5e6));
  for (const width of widths) {
    const name = `${burst} at ${width} px`;
    const troubles = [];
    const { context, page } = await open(browser, report, width, troubles);
    for (const fault of await page.evaluate(layoutFaults)) failures.push(`${name}: ${fault}`);
    await tryControls(name, page, report);
    if (burst === "gap" || burst === "drops") await trySchemes(name, page, width);
    else for (const fault of await seriousFaults(page)) failures.push(`${name}: ${fault}`);
    for (const fault of await page.evaluate(layoutFaults))
      failures.push(`${name} after use: ${fault}`);
    failures.push(...troubles.map((trouble) => `${name}: ${trouble}`));
    await context.close();
  }
}

// Several bursts: the card first, each a tap away; and without scripts, what the terminal says.
const card = makeReport("card", [samples]);
for (const width of widths) {
  const troubles = [];
  const { context, page } = await open(browser, card, width, troubles);
  const rows = await page.locator("[data-burst]").count();
  check(`card at ${width} px`, () => assert.equal(rows, bursts.length));
  for (let i = 0; i < rows; ++i) {
    await page.locator(`[data-burst="${i}"]`).click();
    const sentence = await page.locator("#verdict .sentence").innerText();
    const row = await page.locator(`[data-burst="${i}"] .row-verdict`).innerText();
    check(`card at ${width} px, burst ${i + 1}`, () => assert.equal(sentence, withoutFrames(row)));
  }
  await noteFaults(`card at ${width} px`, page, troubles);
  await context.close();
}
// Two bursts of one scene, each with a gap, that are complete together: that comes first, and its
// list is that of the command.
const halves = { there: [], back: [] };
for (const file of readdirSync(join(samples, "meadow-two-sweeps")).filter((f) => /JPG$/.test(f)))
  halves[file <= "DSC02416.JPG" ? "there" : "back"].push(file);
for (const [half, files] of Object.entries(halves)) {
  mkdirSync(join(out, half), { recursive: true });
  for (const file of files)
    copyFileSync(join(samples, "meadow-two-sweeps", file), join(out, half, file));
}
const scene = makeReport("scene", [join(out, "there"), join(out, "back")]);
for (const width of widths) {
  const troubles = [];
  const { context, page } = await open(browser, scene, width, troubles);
  const rows = await page.locator("[data-burst] .row-verdict").allInnerTexts();
  check(`scene at ${width} px`, () =>
    assert.deepEqual(
      rows.map((row) => row.split(",")[0]),
      ["Good", "Not yet", "Not yet"],
    ),
  );
  const said = await page.locator("#verdict").innerText();
  check(`scene at ${width} px, verdict`, () =>
    assert.match(said, /^Good: you may leave[^]*2401 to 2416 and 2417 to 2432 together/),
  );
  const command = await page.locator(".command").innerText();
  const names = (await page.locator(".names pre").textContent()).split("\n");
  const words = command.split(" ").slice(1);
  const listed = spawnSync(ringsweep, [...words, "--list", "-"], { encoding: "utf8" }).stdout;
  check(`scene at ${width} px, list`, () =>
    assert.deepEqual(
      listed.match(/[^\s/]+\.JPG(?=\n)/g)?.sort(),
      names.sort(),
      command,
    ),
  );
  await noteFaults(`scene at ${width} px`, page, troubles);
  await context.close();
}
const plain = await browser.newContext({ javaScriptEnabled: false });
const still = await plain.newPage();
await still.goto(`file://${card}`);
const text = await still.locator("#plain").innerText();
check("without scripts", () => assert.match(text, /you may leave/));
await browser.close();

writeFileSync(join(out, "failures.txt"), failures.join("\n"));
for (const failure of failures) console.log(`FAILED ${failure}`);
console.log(failures.length ? `${failures.length} failures` : "The report holds in the browser.");
process.exit(failures.length ? 1 : 0);
