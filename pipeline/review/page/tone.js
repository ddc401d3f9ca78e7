// Colour and tone of a frame, of several, or of the roll: fields, preview, histogram.

import { Newest, askFor, draw, make, say } from "./ask.js";

const FIELDS = [
  { name: "exposure", text: "Lighter or darker, stops", low: -3, high: 3, step: 0.05 },
  { name: "warm", text: "Warmer or cooler", low: -0.3, high: 0.3, step: 0.005 },
  { name: "green", text: "Greener or more magenta", low: -0.3, high: 0.3, step: 0.005 },
  { name: "contrast", text: "Contrast", low: 0.8, high: 2.6, step: 0.01 },
  { name: "black", text: "Black point", low: 0, high: 0.3, step: 0.005 },
  { name: "white", text: "White point", low: 0.5, high: 1.5, step: 0.005 },
];

const one = (value) => (Array.isArray(value) ? value[0] : value);
const rounded = (value, digits = 4) => Number(value.toFixed(digits));

// Log10 exposures of red, green and blue to warmth and green, and what lies on all alike.
export const parts = (balance) => {
  const [red, green, blue] = balance ?? [0, 0, 0];
  const all = (red + green + blue) / 3;
  return { warm: rounded((red - blue) / 2), green: rounded(green - all), all };
};

export const balanceOf = (warm, green, all = 0) => {
  if (!warm && !green && !all) return null;
  return [warm - green / 2 + all, green + all, -warm - green / 2 + all].map((each) => rounded(each));
};

const shown = (tones, usual) => {
  const { warm, green } = parts(tones.balance);
  return {
    exposure: tones.exposure ?? 0, warm, green, contrast: tones.contrast ?? usual,
    black: one(tones.black) ?? 0, white: one(tones.white) ?? 1,
  };
};

// A form of fields that tells while they are moved, and when they are let go of.
export class ToneForm {
  constructor(legend, id, tried, settled) {
    this.element = make("fieldset", {}, make("legend", {}, legend));
    this.fields = {};
    for (const field of FIELDS) {
      const range = make("input", {
        type: "range", min: field.low, max: field.high, step: field.step, id: `${id}-${field.name}`,
      });
      const number = make("input", {
        type: "number", step: field.step, "aria-label": `${field.text}, as a number`,
      });
      const label = make("label", { for: range.id }, field.text);
      this.element.append(make("div", { class: "tone" }, label, range, number));
      this.fields[field.name] = { range, number };
      range.addEventListener("input", () => { number.value = range.value; tried(this.told(field.name)); });
      range.addEventListener("change", () => settled(this.told(field.name)));
      number.addEventListener("change", () => {
        if (number.value === "" || !number.checkValidity()) number.value = range.value;
        range.value = number.value;
        settled(this.told(field.name));
      });
    }
  }

  show(tones, usual, fixed = []) {
    this.balance = tones.balance;
    this.usual = usual;
    const values = shown(tones, usual);
    for (const [name, { range, number }] of Object.entries(this.fields)) {
      if (document.activeElement === range && range.matches(":active")) continue;
      range.value = number.value = rounded(values[name], 3);
      const setting = name === "warm" || name === "green" ? "balance" : name;
      range.disabled = number.disabled = fixed.includes(setting);
      number.title = fixed.includes(setting) ? "given on the command line" : "";
    }
  }

  // What a field tells, by the words of roll.toml; null for what is as without it.
  told(name) {
    const value = (field) => Number(this.fields[field].range.value);
    if (name === "warm" || name === "green") {
      return { balance: balanceOf(value("warm"), value("green"), parts(this.balance).all) };
    }
    const plain = { exposure: 0, contrast: this.usual, black: 0, white: 1 }[name];
    const same = Math.abs(value(name) - plain) < 1e-6;
    return { [name]: same ? null : value(name) };
  }
}

const SIDES = [800, 1200, 1600, 2000, 2560];

// The large picture of one frame, as it will be written.
export class Sight {
  #newest = new Newest();
  #urls = new Map();

  constructor(root) {
    this.image = root.querySelector(".large");
    this.marks = root.querySelector(".marks");
    this.clipped = root.querySelector(".clipped");
    this.histogram = root.querySelector(".histogram");
    this.counts = root.querySelector(".counts");
    this.clipped.addEventListener("change", () => this.#measure());
    this.image.addEventListener("load", () => { this.#fit(); this.#measure(); });
    window.addEventListener("resize", () => this.#fit());
  }

  // As large as there is room for: small scans are enlarged, so that they can be judged.
  #fit() {
    const { naturalWidth: width, naturalHeight: height } = this.image;
    const room = this.image.closest(".leaf")?.clientWidth;
    if (!width || !room) return;
    const scale = Math.min((room - 34) / width, 0.72 * window.innerHeight / height, 2.5);
    this.image.style.width = `${Math.round(width * scale)}px`;
  }

  async show(key, tried = {}) {
    const wanted = Math.max(window.innerWidth, window.innerHeight) * Math.min(devicePixelRatio, 2) * 0.7;
    const side = SIDES.find((each) => each >= wanted) ?? SIDES.at(-1);
    const query = new URLSearchParams({ side });
    for (const [name, value] of Object.entries(tried)) query.set(name, JSON.stringify(value));
    const blob = await this.#newest.run(`picture/${encodeURIComponent(key)}?${query}`);
    if (blob === null) return;
    const url = URL.createObjectURL(blob);
    const before = this.image.src;
    this.image.src = url;
    await this.image.decode().catch(() => {});
    if (before.startsWith("blob:")) URL.revokeObjectURL(before);
    this.image.dataset.shown = JSON.stringify(tried);
  }

  #measure() {
    const { naturalWidth: width, naturalHeight: height } = this.image;
    if (!width) return;
    this.marks.width = width;
    this.marks.height = height;
    const context = this.marks.getContext("2d", { willReadFrequently: true });
    context.drawImage(this.image, 0, 0);
    const pixels = context.getImageData(0, 0, width, height);
    const bins = [new Uint32Array(256), new Uint32Array(256), new Uint32Array(256)];
    const { data } = pixels;
    let white = 0, black = 0;
    const mark = this.clipped.checked;
    for (let at = 0; at < data.length; at += 4) {
      const red = data[at], green = data[at + 1], blue = data[at + 2];
      bins[0][red] += 1; bins[1][green] += 1; bins[2][blue] += 1;
      const light = red === 255 || green === 255 || blue === 255;
      const dark = red === 0 && green === 0 && blue === 0;
      white += light; black += dark;
      if (mark && (light || dark)) {
        const stripe = ((at >> 2) % width + Math.floor((at >> 2) / width)) & 4;
        data[at] = light && stripe ? 0 : 255;
        data[at + 1] = stripe ? 0 : 200; data[at + 2] = light ? 0 : 255; data[at + 3] = 255;
      } else {
        data[at + 3] = 0;
      }
    }
    if (mark) context.putImageData(pixels, 0, 0); else context.clearRect(0, 0, width, height);
    const most = Math.max(1, ...bins.flatMap((each) => [...each.slice(1, 255)]));
    this.histogram.replaceChildren(...["red", "green", "blue"].map((name, channel) => draw("polyline", {
      class: name,
      points: [...bins[channel]].map((count, at) => `${at},${64 - 62 * Math.min(1, Math.sqrt(count / most))}`).join(" "),
    })));
    const share = (count) => `${(100 * count / (width * height)).toFixed(1)} %`;
    this.counts.textContent = `Clipped: ${share(white)} in the lights, ${share(black)} in the shadows.`;
  }
}

// Where a click lies in a picture, as shares of its width and height.
export const shareOf = (event, image) => {
  const box = image.getBoundingClientRect();
  const share = (value, low, size) => rounded(Math.min(1, Math.max(0, (value - low) / size)));
  return [share(event.clientX, box.left, box.width), share(event.clientY, box.top, box.height)];
};

export const placeTold = async (key, place) => {
  try {
    const told = await askFor(`place/${encodeURIComponent(key)}?x=${place[0]}&y=${place[1]}`);
    const three = (values) => values.map((each) => each.toFixed(2)).join(" / ");
    const text = `${told.pixels} by ${told.pixels} pixels there: density above base ${three(told.above)} (red / green / blue)`;
    return { text, asFound: told.as_found.map((share) => rounded(share)) };
  } catch (error) {
    say(error.message);
    return { text: "", asFound: null };
  }
};
