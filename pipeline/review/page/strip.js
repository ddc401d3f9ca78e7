// A strip as it was scanned, with outlines that can be moved, a scale, and what places tell.

import { askFor, draw, make, say } from "./ask.js";

const NEAR_MM = 0.8;
const STEP_MM = 0.1;
const round = (value) => Number(value.toFixed(3));
// Each side with its two corners, and whether it moves along the film (0) or across it (1).
const SIDES = { left: [0, 3, 0], right: [1, 2, 0], top: [0, 1, 1], bottom: [3, 2, 1] };
const CORNERS = [["left", "top"], ["right", "top"], ["right", "bottom"], ["left", "bottom"]];

export class StripView {
  constructor(place, page) {
    this.place = place;
    this.page = page;
    this.bars = [];
    const template = document.getElementById("scanned").content.cloneNode(true);
    this.element = template.firstElementChild;
    this.image = this.element.querySelector("img");
    this.overlay = this.element.querySelector(".overlay");
    this.told = this.element.querySelector(".told");
    for (const [at, group] of [["look", ["negative", "positive"]], ["way", ["measure", "split", "add"]]]) {
      for (const value of group) {
        const input = this.element.querySelector(`input[value="${value}"]`);
        input.name = `${at}-${place}`;
        input.addEventListener("change", () => this.show());
      }
    }
    this.element.querySelector(".back").addEventListener("click", () => this.#moveAll(-STEP_MM));
    this.element.querySelector(".forth").addEventListener("click", () => this.#moveAll(STEP_MM));
    this.overlay.addEventListener("click", (event) => this.#clicked(event));
  }

  get strip() { return this.page.roll.strips[this.place]; }

  get frames() { return this.page.roll.frames.filter((frame) => frame.strip === this.place); }

  get way() { return this.element.querySelector(`input[name="way-${this.place}"]:checked`).value; }

  async show() {
    const negative = this.element.querySelector(`input[name="look-${this.place}"]:checked`).value === "negative";
    const source = `strip/${this.place}?${negative ? "negative&" : ""}r=${this.strip.sign}`;
    if (this.image.getAttribute("src") !== source) {
      this.image.setAttribute("src", source);
      this.image.alt = `Strip ${this.place + 1}, ${this.strip.scan}, ${negative ? "as scanned" : "positive"}`;
    }
    this.#drawOverlay();
    if (this.barsOf !== this.strip.sign) {
      this.barsOf = this.strip.sign;
      try { this.bars = await askFor(`bars/${this.place}`); } catch (error) { say(error.message); }
    }
  }

  #drawOverlay() {
    const { length_mm: long, width_mm: wide, codes } = this.strip;
    const focused = document.activeElement?.dataset?.edge;
    this.overlay.setAttribute("viewBox", `0 0 ${long} ${wide}`);
    this.overlay.setAttribute("preserveAspectRatio", "none");
    // Letters are as large on any strip: lengths here are in mm.
    const letter = 12 * long / Math.max(this.overlay.clientWidth, 1);
    const text = (x, y, words, more = {}) => draw("text", {
      x, y, "font-size": letter, "stroke-width": letter / 5, ...more,
    }, words);
    const parts = [];
    for (let mm = 0; mm <= long; mm += 5) {
      parts.push(draw("line", { class: "scale", x1: mm, x2: mm, y1: wide, y2: wide - (mm % 10 ? 0.7 : 1.3) }));
      if (mm % 10 === 0 && mm > 0) {
        parts.push(text(mm + 0.3, wide - 0.5, mm === 10 ? "10 mm" : `${mm}`));
      }
    }
    for (const code of codes) {
      const down = Math.min(wide - 1.5 * letter, Math.max(letter, code.y_mm));
      parts.push(text(code.x_mm, down, code.text, { "text-anchor": "middle" }));
    }
    for (const frame of this.frames) {
      const [left, top] = frame.corners_mm[0];
      parts.push(this.#outline(frame), text(left + letter / 3, top + letter, frame.number));
    }
    this.overlay.replaceChildren(...parts);
    if (focused) this.overlay.querySelector(`[data-edge="${focused}"]`)?.focus();
  }

  #outline(frame) {
    const group = draw("g", { "data-key": frame.key });
    const points = (corners) => corners.map((corner) => corner.join(",")).join(" ");
    const outline = draw("polygon", {
      class: `outline whole${frame.doubts.length ? " doubtful" : ""}`, points: points(frame.corners_mm),
    });
    group.append(outline);
    for (const [name, [from, to, along]] of Object.entries(SIDES)) {
      const [a, b] = [frame.corners_mm[from], frame.corners_mm[to]];
      const line = draw("line", {
        class: `edge${along ? " level" : ""}`, x1: a[0], y1: a[1], x2: b[0], y2: b[1],
        tabindex: 0, role: "slider", "data-edge": `${frame.key} ${name}`,
        "aria-label": `${name} edge of frame ${frame.number}, mm`,
        "aria-valuenow": round((a[along] + b[along]) / 2), "aria-valuemin": 0,
        "aria-valuemax": along ? this.strip.width_mm : this.strip.length_mm,
        "aria-orientation": along ? "vertical" : "horizontal",
      });
      line.addEventListener("pointerdown", (event) => this.#drag(event, frame, [name], line, outline));
      line.addEventListener("keydown", (event) => {
        const by = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -1, ArrowDown: 1 }[event.key];
        if (!by) return;
        event.preventDefault();
        event.stopPropagation();
        this.#move(frame, { [`${name}_mm`]: by * STEP_MM });
      });
      group.append(line);
    }
    const size = 8 * this.strip.length_mm / Math.max(this.overlay.clientWidth, 1);
    CORNERS.forEach((names, at) => {
      const [x, y] = frame.corners_mm[at];
      const corner = draw("rect", {
        class: "edge corner", x: x - size / 2, y: y - size / 2, width: size, height: size,
        "data-corner": `${frame.key} ${names.join(" ")}`,
      });
      corner.addEventListener("pointerdown", (event) => this.#drag(event, frame, names, corner, outline));
      group.append(corner);
    });
    return group;
  }

  #mm(event) {
    const box = this.overlay.getBoundingClientRect();
    return [
      (event.clientX - box.left) / box.width * this.strip.length_mm,
      (event.clientY - box.top) / box.height * this.strip.width_mm,
    ];
  }

  // One side, or the two of a corner, go with the pointer.
  #drag(event, frame, names, handle, outline) {
    event.preventDefault();
    event.stopPropagation();
    handle.focus();
    const start = this.#mm(event);
    let moves = {};
    const moved = (now) => {
      const place = this.#mm(now);
      const corners = frame.corners_mm.map((corner) => [...corner]);
      moves = {};
      for (const name of names) {
        const [from, to, along] = SIDES[name];
        const was = (frame.corners_mm[from][along] + frame.corners_mm[to][along]) / 2;
        let by = place[along] - start[along];
        if (along === 0 && !now.shiftKey) by = this.#near(was + by, name) - was;
        for (const at of [from, to]) corners[at][along] += by;
        if (Math.abs(by) >= 0.01) moves[`${name}_mm`] = round(by);
      }
      outline.setAttribute("points", corners.map((corner) => corner.join(",")).join(" "));
    };
    const ended = () => {
      handle.removeEventListener("pointermove", moved);
      if (Object.keys(moves).length) this.#move(frame, moves);
      else this.#drawOverlay();
    };
    handle.setPointerCapture(event.pointerId);
    handle.addEventListener("pointermove", moved);
    handle.addEventListener("pointerup", ended, { once: true });
    handle.addEventListener("pointercancel", () => { moves = {}; ended(); }, { once: true });
  }

  // The edge of a bar of base that an edge of a picture belongs to, if one is near.
  #near(place, name) {
    const edges = this.bars.map((bar) => (name === "left" ? bar[1] : bar[0]));
    const nearest = edges.reduce((best, edge) => (Math.abs(edge - place) < Math.abs(best - place) ? edge : best), Infinity);
    return Math.abs(nearest - place) <= NEAR_MM ? nearest : place;
  }

  #move(frame, edges) {
    this.page.change({ do: "move", frames: [frame.key], edges });
  }

  #moveAll(by) {
    this.page.change({ do: "move", frames: this.frames.map((frame) => frame.key), edges: { move_mm: by } });
  }

  #clicked(event) {
    if (event.target.classList.contains("edge")) return;
    const [x, y] = this.#mm(event);
    const bar = this.bars.find(([from, to]) => from - NEAR_MM <= x && x <= to + NEAR_MM);
    if (this.way === "split") {
      const frame = this.frames.find((each) => each.corners_mm[0][0] < x && x < each.corners_mm[1][0]);
      if (!frame) { say("There is no frame there to cut in two."); return; }
      const [at, until] = bar ?? [x, x];
      this.page.change({ do: "split", frames: [frame.key], at_mm: round(at), until_mm: round(until) });
    } else if (this.way === "add") {
      this.page.change({ do: "add", strip: this.place, at_mm: round(bar ? bar[1] : x) });
    } else {
      this.#measure(x, y);
    }
  }

  async #measure(x, y) {
    let told;
    try { told = await askFor(`point/${this.place}?x=${round(x)}&y=${round(y)}`); } catch (error) { say(error.message); return; }
    this.overlay.querySelector(".pointed")?.remove();
    const half = told.pixels / 2 * this.strip.length_mm / Math.max(this.image.naturalWidth, 1);
    this.overlay.append(draw("rect", { class: "pointed", x: x - half, y: y - half, width: 2 * half, height: 2 * half }));
    const row = (name, values) => make("tr", {}, make("th", { scope: "row" }, name), ...values.map((each) => make("td", {}, each.toFixed(2))));
    const head = make("tr", {}, make("td", {}), ...["red", "green", "blue"].map((each) => make("th", { scope: "col" }, each)));
    const rows = [
      row("Density above base", told.above),
      row(told.absolute ? "Density (scanner)" : "Density (scanner, relative)", told.scanner),
      ...(told.status_m ? [row("Density (Status M)", told.status_m)] : []),
      row("Log exposure from middle grey", told.log_h),
    ];
    this.told.replaceChildren(
      make("p", { class: "soft" }, `${x.toFixed(1)} mm along, ${y.toFixed(1)} mm down; the mean of ${told.pixels} by ${told.pixels} pixels.`),
      make("table", {}, make("thead", {}, head), make("tbody", {}, ...rows)),
      this.#curves(told),
    );
  }

  #curves(told) {
    const svg = draw("svg", { viewBox: "0 0 240 130", role: "img", "aria-label": "Density of the layers against log exposure, and the place pointed at" });
    const across = (at) => 10 + (at + 2.6) / 4.8 * 220;
    const down = (density) => 120 - Math.min(Math.max(density, 0), 3) / 3 * 110;
    const names = ["red", "green", "blue"];
    for (const at of [-2, -1, 0, 1, 2]) {
      svg.append(draw("line", { class: "rule", x1: across(at), x2: across(at), y1: down(3), y2: down(0) }),
        draw("text", { class: "axis", x: across(at), y: 129, "text-anchor": "middle" }, at === 0 ? "middle grey" : `${at > 0 ? "+" : "−"}${Math.abs(at)}`));
    }
    for (const density of [0, 1, 2, 3]) {
      svg.append(draw("line", { class: "rule", x1: across(-2.6), x2: across(2.2), y1: down(density), y2: down(density) }),
        draw("text", { class: "axis", x: 2, y: down(density) + 2 }, `${density}`));
    }
    this.page.roll.curves.forEach((points, layer) => svg.append(draw("polyline", {
      class: `curve ${names[layer]}`, points: points.map(([at, density]) => `${across(at).toFixed(1)},${down(density).toFixed(1)}`).join(" "),
    })));
    told.layers.forEach((density, layer) => svg.append(draw("circle", {
      class: names[layer], r: 3, cx: across(Math.min(2.2, Math.max(-2.6, told.log_h[layer]))), cy: down(density),
    })));
    return svg;
  }
}
