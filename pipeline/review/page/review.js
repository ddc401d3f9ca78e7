// The page: what is open and chosen, keys, news from the server.

import { askFor, make, say, tell } from "./ask.js";
import { Leaf, Row, counted } from "./roll.js";
import { ToneForm } from "./tone.js";

const at = (id) => document.getElementById(id);
const DIGIT_PAUSE_MS = 900;
const MOST_SHOWN = 3;
const THIN = ["under-exposed", "unexposed"];

class Page {
  roll = null;
  open = null;
  chosen = new Set();
  rows = [];
  #digits = "";
  #digitsAt = 0;
  #asking = Promise.resolve();

  constructor() {
    this.leaf = new Leaf(this);
    this.whole = new ToneForm("Colour and tone of the whole roll", "roll",
      (tones) => this.leaf.tryRoll(tones), (tones) => this.change({ do: "tone", tones }));
    at("whole").append(this.whole.element);
    for (const deed of ["undo", "redo", "write", "stop"]) at(deed).addEventListener("click", () => this.deed(deed));
    at("choose-all").addEventListener("click", () => this.choose(this.roll.frames.map((frame) => frame.key), true));
    at("choose-none").addEventListener("click", () => this.choose([...this.chosen], false));
    at("join").addEventListener("click", () => this.change({ do: "join", frames: [...this.chosen] }));
    document.addEventListener("keydown", (event) => this.#key(event));
    document.addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "b") this.leaf.before(false); });
  }

  async begin() {
    await this.load();
    const news = new EventSource("news");
    news.addEventListener("message", () => this.load());
    news.addEventListener("error", () => say("evenroll does not answer. What was corrected is kept; start it again."));
    news.addEventListener("open", () => { if (at("said").textContent.startsWith("evenroll does not")) { say(""); this.load(); } });
  }

  // Answers are shown in the order they were asked for.
  load() {
    this.#asking = this.#asking.then(async () => {
      try { this.#show(await askFor("roll")); } catch (error) { say(error.message); }
    });
    return this.#asking;
  }

  frame(key) { return this.roll?.frames.find((frame) => frame.key === key) ?? null; }

  change(change) { return this.#told("change", change); }

  deed(name) { return this.#told(name, {}); }

  carry(key) {
    const frames = [...this.chosen].filter((each) => each !== key);
    if (!frames.length) { say("Choose the frames to carry it to first."); return; }
    this.change({ do: "carry", frames, to: key });
  }

  #told(deed, body) {
    this.#asking = this.#asking.then(async () => {
      document.body.setAttribute("aria-busy", "true");
      try {
        this.#show(await tell(deed, body));
        say(deed === "change" && this.roll.undo ? `Kept: ${this.roll.undo}.` : "");
      } catch (error) {
        say(error.message);
        if (this.roll) this.#show(this.roll, true);
      } finally {
        document.body.removeAttribute("aria-busy");
      }
    });
    return this.#asking;
  }

  #show(roll, again = false) {
    if (!again && this.roll && roll.revision < this.roll.revision) return;
    this.roll = roll;
    if (this.open && !this.frame(this.open)) this.open = null;
    this.chosen = new Set([...this.chosen].filter((key) => this.frame(key)));
    document.title = roll.name;
    at("name").textContent = roll.name;
    at("trouble").hidden = !roll.trouble && !Object.keys(roll.lost).length;
    at("trouble").textContent = [roll.trouble, ...Object.values(roll.lost)].filter(Boolean).join(" ");
    this.#showDeeds();
    this.#showChecks();
    this.#showRows();
    this.whole.show(roll.tones, roll.tones.contrast ?? roll.tones.usual_contrast, roll.fixed);
    at("colour").textContent = `Colour: ${roll.colour}.`;
    this.#showFindings();
  }

  #showDeeds() {
    const { undo, redo, pending, writing } = this.roll;
    const busy = Boolean(writing && !writing.ended);
    at("undo").disabled = !undo;
    at("undo").textContent = undo ? `Undo: ${undo}` : "Undo";
    at("redo").disabled = !redo;
    at("redo").textContent = redo ? `Do again: ${redo}` : "Do again";
    at("write").disabled = !pending.length || busy;
    at("write").textContent = pending.length ? `Write ${counted(pending.length, "frame")}` : "All is written";
    at("stop").hidden = at("progress").hidden = !busy;
    if (busy) {
      at("progress").max = Math.max(writing.total, 1);
      at("progress").value = writing.done;
      const left = writing.left_s === null ? "" : `, about ${Math.ceil(writing.left_s)} s left`;
      at("kept").textContent = `${writing.done} of ${counted(writing.total, "frame")} written${left}.`;
    } else {
      const ended = { done: "All frames are written. ", stopped: "Writing was stopped; what is finished stays. ", failed: "Something could not be written. " };
      const changed = writing?.changed.length ? `Left as you changed them: ${writing.changed.join(", ")}. ` : "";
      at("kept").textContent = (ended[writing?.ended] ?? "") + (writing?.failed.join(" ") ?? "") + changed
        + " Every correction is kept in roll.toml as soon as it is made.";
    }
  }

  #showChecks() {
    const { frames, gone } = this.roll;
    const link = (text, does) => {
      const button = make("button", { type: "button" }, text);
      button.addEventListener("click", does);
      return make("li", {}, button);
    };
    const items = frames.filter((frame) => frame.doubts.length).map((frame) =>
      link(`Frame ${frame.number}: ${frame.doubts.join(", ")}`, () => this.toggle(frame.key, true)));
    items.push(...gone.map((number) =>
      link(`Frame ${number} is left out; take it in again`, () => this.change({ do: "restore", frames: [number] }))));
    at("checks").replaceChildren(...(items.length ? items : [make("li", { class: "soft" }, "Nothing is in doubt.")]));
  }

  #showRows() {
    const count = this.roll.strips.length;
    while (this.rows.length > count) this.rows.pop().element.remove();
    while (this.rows.length < count) {
      const row = new Row(this.rows.length, this);
      this.rows.push(row);
      at("strips").append(row.element);
    }
    for (const row of this.rows) row.show();
    const text = this.chosen.size ? `${counted(this.chosen.size, "frame")} chosen.` : "No frame chosen.";
    at("chosen").textContent = text;
    at("join").disabled = this.chosen.size < 2;
    const frame = this.frame(this.open);
    if (!frame) { this.leaf.element.remove(); return; }
    const row = this.rows[frame.strip];
    const anew = this.leaf.element.parentNode !== row.element || this.leaf.key !== frame.key;
    if (this.leaf.element.parentNode !== row.element) row.element.append(this.leaf.element);
    this.leaf.key = frame.key;
    this.leaf.show(anew);
  }

  #showFindings() {
    const show = (finding) => make("li", { class: finding.severity },
      make("p", {}, make("span", { class: "weight" }, `${finding.severity}: ${finding.code} `), `(confidence ${finding.confidence})`),
      make("p", {}, finding.evidence), make("p", {}, finding.advice),
      ...(finding.seen_in.length ? [make("p", { class: "soft" }, `Read from: ${finding.seen_in.join(", ")}. ${this.#where(finding)}`)] : []));
    at("findings").replaceChildren(...this.roll.findings.map(show));
    at("cautions").replaceChildren(...(this.roll.cautions.length
      ? [make("h3", {}, "Cautions"), make("ul", {}, ...this.roll.cautions.map((line) => make("li", {}, line)))] : []));
    at("problems").replaceChildren(...this.roll.problems.map((line) => make("li", {}, line)));
  }

  // The pictures in which what a finding speaks of shows most.
  #shownIn(finding) {
    if (!finding.seen_in.includes("pictures")) return [];
    const thin = THIN.includes(finding.code);
    return this.roll.frames.filter((frame) => frame.kind === "picture")
      .sort((one, two) => (one.median[1] - two.median[1]) * (thin ? 1 : -1)).slice(0, MOST_SHOWN);
  }

  // What findings say shows in a frame, or on a strip beside its pictures.
  seenIn(frame) {
    return this.roll.findings.filter((finding) => this.#shownIn(finding).includes(frame)).map((finding) => finding.code);
  }

  seenBeside(place) {
    return this.roll.findings.filter((finding) => finding.seen_in.includes(place)).map((finding) => finding.code);
  }

  #where(finding) {
    const thin = THIN.includes(finding.code);
    const frames = this.#shownIn(finding);
    const told = frames.map((frame) => `${frame.number} (${frame.median[1].toFixed(2)})`).join(", ");
    return frames.length ? `${thin ? "Thinnest" : "Densest"} pictures, median in green: ${told}.` : "";
  }

  choose(keys, on) {
    for (const key of keys) if (on) this.chosen.add(key); else this.chosen.delete(key);
    this.#showRows();
  }

  showStrip(place) {
    this.rows[place].scanned(true);
    this.rows[place].head.scrollIntoView({ block: "start" });
  }

  toggle(key, open = this.open !== key) {
    this.open = open ? key : null;
    this.#showRows();
    if (!open) return;
    this.#focus(key);
    this.leaf.element.scrollIntoView({ block: "nearest" });
  }

  #focus(key) {
    document.querySelector(`.open[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: false });
  }

  #go(by) {
    const keys = this.roll.frames.map((frame) => frame.key);
    const now = document.activeElement?.dataset?.key ?? this.open;
    const key = keys[Math.min(keys.length - 1, Math.max(0, now === null || now === undefined ? 0 : keys.indexOf(now) + by))];
    if (key === undefined) return;
    if (this.open) this.toggle(key, true); else this.#focus(key);
  }

  #key(event) {
    if (!this.roll) return;
    const typing = event.target.matches("input:not([type=checkbox]):not([type=radio]), select, textarea");
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !typing) {
      event.preventDefault();
      this.deed(event.shiftKey ? "redo" : "undo");
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Escape" && this.open) { const key = this.open; this.toggle(key, false); this.#focus(key); return; }
    if (typing || event.target.matches("[role=slider], input[type=radio], .scroll")) return;
    if (event.key === "ArrowRight" || event.key === "ArrowDown") { event.preventDefault(); this.#go(1); }
    else if (event.key === "ArrowLeft" || event.key === "ArrowUp") { event.preventDefault(); this.#go(-1); }
    else if (event.key.toLowerCase() === "b" && this.open) this.leaf.before(true);
    else if (/^[0-9]$/.test(event.key)) this.#digit(event.key);
  }

  // Digits that follow each other quickly are one number.
  #digit(digit) {
    const now = performance.now();
    this.#digits = now - this.#digitsAt < DIGIT_PAUSE_MS ? this.#digits + digit : digit;
    this.#digitsAt = now;
    const wanted = this.roll.frames.find((frame) => Number.parseInt(frame.number, 10) === Number(this.#digits));
    if (!wanted) return;
    if (this.open) this.toggle(wanted.key, true); else this.#focus(wanted.key);
  }
}

const page = new Page();

page.begin();
