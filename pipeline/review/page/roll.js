// The rows of frames, and the leaf that opens under the row of one of them.

import { make, say } from "./ask.js";
import { Sight, ToneForm, placeTold, shareOf } from "./tone.js";
import { StripView } from "./strip.js";

const counted = (count, noun) => `${count} ${noun}${count === 1 ? "" : "s"}`;

export class Row {
  constructor(place, page) {
    this.place = place;
    this.page = page;
    this.items = new Map();
    this.list = make("ul", { class: "row" });
    this.title = make("h3", {});
    this.toggle = make("button", { type: "button", "aria-expanded": "false" }, "Show the strip as scanned");
    this.toggle.addEventListener("click", () => this.scanned(!this.view));
    this.head = make("div", { class: "strip-head" }, this.title, this.toggle);
    this.choose = make("button", { type: "button" }, "Choose its frames");
    this.choose.addEventListener("click", () => page.choose(this.frames.map((frame) => frame.key), true));
    this.base = make("span", { class: "soft" });
    this.head.append(this.choose, this.base);
    this.element = make("article", { class: "strip" }, this.head, this.list);
  }

  get frames() { return this.page.roll.frames.filter((frame) => frame.strip === this.place); }

  show() {
    const strip = this.page.roll.strips[this.place];
    this.title.textContent = `Strip ${this.place + 1}: ${strip.scan}`;
    const three = (values) => values.map((value) => value?.toFixed(2) ?? "–").join(" / ");
    const codes = (place) => {
      const seen = this.page.seenBeside(place);
      return seen.length ? ` [${seen.join(", ")}]` : "";
    };
    this.base.textContent = `base ${three(strip.base)}${strip.absolute ? "" : " (relative)"}${codes("base")}`
      + (strip.edge_print ? `; edge print ${three(strip.edge_print)} above it${codes("edge print")}` : "")
      + (strip.leak ? `; light beside the pictures${codes("light beside the pictures")}` : "");
    const items = this.frames.map((frame) => this.#item(frame));
    const same = items.length === this.list.children.length && items.every((item, at) => item === this.list.children[at]);
    if (!same) this.list.replaceChildren(...items);
    if (this.view) this.view.show();
  }

  scanned(open) {
    if (open && !this.view) {
      this.view = new StripView(this.place, this.page);
      this.head.after(this.view.element);
      this.view.show();
    } else if (!open && this.view) {
      this.view.element.remove();
      this.view = null;
    }
    this.toggle.setAttribute("aria-expanded", String(open));
    this.toggle.textContent = open ? "Put the strip away" : "Show the strip as scanned";
  }

  #item(frame) {
    let item = this.items.get(frame.key);
    if (!item) {
      item = this.#made(frame.key);
      this.items.set(frame.key, item);
    }
    const image = item.querySelector("img");
    const source = `small/${encodeURIComponent(frame.key)}?r=${frame.sign}`;
    if (image.getAttribute("src") !== source) image.setAttribute("src", source);
    image.width = frame.width;
    image.height = frame.height;
    image.alt = frame.kind === "picture" ? "" : frame.kind;
    const open = this.page.open === frame.key;
    const button = item.querySelector(".open");
    button.setAttribute("aria-expanded", String(open));
    button.setAttribute("aria-label", `Frame ${frame.number}${frame.doubts.length ? `, to look at: ${frame.doubts.join(", ")}` : ""}`);
    item.querySelector("input").checked = this.page.chosen.has(frame.key);
    item.querySelector(".number").textContent = frame.number;
    const marks = frame.kind === "picture" ? [] : [frame.kind];
    marks.push(...this.page.seenIn(frame).map((code) => `shows ${code}`));
    if (frame.corrected) marks.push("corrected");
    if (frame.stops) marks.push(`${frame.stops > 0 ? "+" : "−"}${Math.abs(frame.stops).toFixed(2)} stops`);
    if (this.page.roll.pending.includes(frame.number)) marks.push("to be written");
    item.querySelector(".why").replaceChildren(
      ...frame.doubts.map((doubt) => make("span", { class: "doubt" }, `${doubt}. `)), marks.join(", "),
    );
    return item;
  }

  #made(key) {
    const box = make("input", { type: "checkbox" });
    box.addEventListener("change", () => this.page.choose([key], box.checked));
    const button = make("button", { type: "button", class: "open", "data-key": key, "aria-expanded": "false" }, make("img", { alt: "", decoding: "async" }));
    button.addEventListener("click", () => this.page.toggle(key));
    const label = make("label", {}, box, make("span", { class: "number" }), make("span", { class: "unseen" }));
    return make("li", {}, button, label, make("span", { class: "why" }));
  }
}

export class Leaf {
  constructor(page) {
    this.page = page;
    this.element = document.getElementById("leaf").content.cloneNode(true).firstElementChild;
    const find = (name) => this.element.querySelector(name);
    this.sight = new Sight(this.element);
    this.form = new ToneForm("Colour and tone of this frame", "frame", (tones) => this.#try(tones), (tones) => this.#settle(tones));
    find(".tones").append(this.form.element);
    this.#addDeeds();
    const on = (name, does) => find(name).addEventListener("click", does);
    on(".quarter", () => this.#change({ do: "turn", to: "90" }));
    on(".mirror", () => this.#change({ do: "mirror" }));
    on(".drop", () => this.#change({ do: "drop" }));
    on(".reset", () => this.#change({ do: "reset" }));
    on(".renumber", () => this.#change({ do: "number", to: find(".number-field").value.trim(), onward: find(".onward").checked }));
    on(".open-strip", () => this.page.showStrip(this.frame.strip));
    find(".number-field").addEventListener("keydown", (event) => { if (event.key === "Enter") find(".renumber").click(); });
    find(".kind").addEventListener("change", (event) => this.#change({ do: "kind", to: event.target.value }));
    this.sight.image.addEventListener("click", (event) => this.#picked(event));
    const before = find(".before");
    before.addEventListener("pointerdown", () => this.before(true));
    for (const name of ["pointerup", "pointerleave", "pointercancel"]) before.addEventListener(name, () => this.before(false));
  }

  get frame() { return this.page.frame(this.page.open); }

  #addDeeds() {
    const scope = make("select", { "aria-label": "A change is for" },
      ...[["frame", "this frame"], ["strip", "all frames of its strip"], ["chosen", "the chosen frames"]].map(([value, text]) => make("option", { value }, text)));
    this.scope = scope;
    this.neutral = make("button", { type: "button", "aria-pressed": "false" }, "Point at something neutral");
    this.neutral.addEventListener("click", () => this.#picking(this.neutral.getAttribute("aria-pressed") === "false"));
    const carry = make("button", { type: "button" }, "Carry to the chosen frames");
    carry.addEventListener("click", () => this.page.carry(this.frame.key));
    const plain = make("button", { type: "button" }, "As the roll");
    plain.addEventListener("click", () => this.#settle(Object.fromEntries(
      ["exposure", "balance", "neutral", "colour_temperature_k", "duv", "contrast", "black", "white"].map((name) => [name, null]))));
    this.form.element.append(
      make("p", {}, make("label", {}, "A change is for ", scope)),
      make("p", {}, this.neutral, carry, plain),
    );
  }

  show(anew = false) {
    const { frame } = this;
    if (!frame) return;
    const find = (name) => this.element.querySelector(name);
    this.element.setAttribute("aria-label", `Frame ${frame.number}`);
    this.sight.image.alt = `Frame ${frame.number}`;
    if (document.activeElement !== find(".number-field")) find(".number-field").value = frame.number;
    find(".kind").value = frame.kind;
    find(".reset").disabled = !frame.corrected || frame.key.startsWith("+");
    find(".drop").disabled = false;
    const usual = this.page.roll.tones.contrast ?? this.page.roll.tones.usual_contrast;
    this.form.show({ ...frame.own, balance: frame.balance ?? frame.own.balance }, usual);
    if (anew || this.shownSign !== `${frame.key} ${frame.sign}`) {
      this.shownSign = `${frame.key} ${frame.sign}`;
      if (anew) find(".place").textContent = "";
      this.#look({});
    }
  }

  // While a key or the pointer is held, the frame as the roll alone makes it.
  before(held) {
    if (this.held === held) return;
    this.held = held;
    this.#look(held ? { frame: {} } : {});
  }

  async #look(tried) {
    try { await this.sight.show(this.frame.key, tried); } catch (error) { say(error.message); }
  }

  tryRoll(tones) { if (this.frame) this.#look({ roll: tones }); }

  #try(tones) {
    const own = { ...this.frame.own };
    if (tones.balance !== undefined) delete own.neutral;
    this.#look({ frame: { ...own, ...tones } });
  }

  #targets() {
    const { frame, page } = this;
    if (this.scope.value === "strip") return page.roll.frames.filter((each) => each.strip === frame.strip).map((each) => each.key);
    if (this.scope.value === "chosen") return [...new Set([frame.key, ...page.chosen])];
    return [frame.key];
  }

  #settle(tones) { this.page.change({ do: "tone", frames: this.#targets(), tones }); }

  #change(change) { this.page.change({ frames: [this.frame.key], ...change }); }

  #picking(on) {
    this.neutral.setAttribute("aria-pressed", String(on));
    this.element.querySelector(".sight").classList.toggle("picking", on);
    if (on) say("Click on something in the picture that was grey or white.");
  }

  async #picked(event) {
    const place = shareOf(event, this.sight.image);
    const { text, asFound } = await placeTold(this.frame.key, place);
    this.element.querySelector(".place").textContent = text;
    if (!asFound || this.neutral.getAttribute("aria-pressed") !== "true") return;
    this.#picking(false);
    this.page.change({ do: "tone", frames: [this.frame.key], tones: { neutral: asFound } });
  }
}

export { counted };
