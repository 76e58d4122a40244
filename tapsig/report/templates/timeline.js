// Zoom and pan of each timeline on the page: wheel, drag, two fingers, buttons, keys. The page reads without it.

const WIDE = 1000, TALL = 200, MOST_TICKS = 6, LEAST_STEPS = 40, EMPTY = -32768;
const ROUND_S = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200,
  1800, 3600, 7200, 14400, 28800, 86400];

function formatTime(seconds) {
  const milli = Math.round(seconds * 1000);
  if (milli < 60000) return `${milli / 1000} s`;
  const rest = (milli % 60000) / 1000, minutes = Math.floor(milli / 60000);
  const tail = rest % 1 ? rest.toFixed(3).padStart(6, "0").replace(/0+$/, "") : String(rest).padStart(2, "0");
  const hours = Math.floor(minutes / 60);
  return hours ? `${hours}:${String(minutes % 60).padStart(2, "0")}:${tail}` : `${minutes}:${tail}`;
}

class Timeline {
  constructor(figure) {
    this.figure = figure;
    this.data = JSON.parse(figure.querySelector("script").textContent);
    this.low = decodeSamples(this.data.low);
    this.high = this.data.high === null ? this.low : decodeSamples(this.data.high);
    this.first = this.data.begin; this.last = this.data.end;
    this.wave = figure.querySelector(".wave");
    this.path = figure.querySelector(".trace");
    this.lanes = [...figure.querySelectorAll(".lane")].map((lane) => [...lane.querySelectorAll("path")]);
    this.image = figure.querySelector(".tones img");
    if (this.image) this.place = [parseFloat(this.image.style.left), parseFloat(this.image.style.width)];
    this.times = figure.querySelector(".times");
    this.output = figure.querySelector("output");
    this.pointers = new Map();
    figure.querySelector(".tools").hidden = false;
    this.listen();
  }

  listen() {
    const wave = this.wave;
    wave.tabIndex = 0;
    wave.classList.add("live");
    wave.title = "Drag to move; + and − zoom, arrows move, 0 shows all, n leads to the next error. The wheel zooms after a click, or with Ctrl.";
    for (const button of this.figure.querySelectorAll("button")) button.addEventListener("click", () => this.act(button.dataset.do));
    wave.addEventListener("keydown", (event) => {
      const name = { "+": "in", "=": "in", "-": "out", ArrowLeft: "left", ArrowRight: "right", 0: "whole", Home: "whole", n: "error" }[event.key];
      if (!name || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      this.act(name);
    });
    wave.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && document.activeElement !== wave) return; // else the page could not be scrolled past it
      event.preventDefault();
      this.zoom(2 ** (event.deltaY / 300), this.timeAt(event.clientX));
    }, { passive: false });
    wave.addEventListener("pointerdown", (event) => { this.pointers.set(event.pointerId, event.clientX); wave.setPointerCapture(event.pointerId); wave.focus({ preventScroll: true }); });
    wave.addEventListener("pointermove", (event) => this.drag(event));
    for (const name of ["pointerup", "pointercancel"]) wave.addEventListener(name, (event) => this.pointers.delete(event.pointerId));
  }

  act(name) {
    const span = this.last - this.first;
    if (name === "in") this.zoom(0.5);
    else if (name === "out") this.zoom(2);
    else if (name === "left") this.show(this.first - span / 4, this.last - span / 4);
    else if (name === "right") this.show(this.first + span / 4, this.last + span / 4);
    else if (name === "whole") this.show(this.data.begin, this.data.end);
    else if (name === "error" && this.data.errors.length) {
      const middle = (this.first + this.last) / 2, wide = Math.min(span, 2);
      const next = this.data.errors.find((time) => time > middle + 1e-3) ?? this.data.errors[0];
      this.show(next - wide / 2, next + wide / 2, false);
    }
  }

  timeAt(x) {
    const box = this.wave.getBoundingClientRect();
    return this.first + ((x - box.left) / box.width) * (this.last - this.first);
  }

  drag(event) {
    const before = this.pointers.get(event.pointerId);
    if (before === undefined) return;
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId).map(([, x]) => x);
    if (others.length) {
      const wide = Math.abs(before - others[0]), now = Math.abs(event.clientX - others[0]);
      if (wide > 5 && now > 5) this.zoom(wide / now, this.timeAt(others[0]));
    } else {
      const moved = this.timeAt(before) - this.timeAt(event.clientX);
      this.show(this.first + moved, this.last + moved);
    }
    this.pointers.set(event.pointerId, event.clientX);
  }

  zoom(factor, around = (this.first + this.last) / 2) {
    this.show(around - (around - this.first) * factor, around + (this.last - around) * factor);
  }

  // Shows a part; moved into the recording, unless `kept` is false: then what is asked for stays in the middle.
  show(first, last, kept = true) {
    const { begin, end, step } = this.data, least = Math.min(LEAST_STEPS * step, end - begin);
    let span = Math.min(Math.max(last - first, least), end - begin);
    let start = (first + last) / 2 - span / 2;
    if (kept || start < begin || start + span > end) start = Math.min(Math.max(start, begin), end - span);
    this.first = start; this.last = start + span;
    this.draw();
  }

  draw() {
    const span = this.last - this.first, x = (time) => ((time - this.first) / span) * WIDE;
    this.path.setAttribute("d", this.outline());
    this.lanes.forEach((paths, i) => paths.forEach((path, k) => {
      const [top, bottom] = this.data.heights[i][k];
      const seen = this.data.lanes[i][k].filter((time) => time >= this.first && time <= this.last);
      path.setAttribute("d", [...new Set(seen.map((time) => x(time).toFixed(1)))].map((at) => `M${at} ${top}V${bottom}`).join(""));
    }));
    if (this.image) {
      const whole = this.data.end - this.data.begin, [left, width] = this.place;
      this.image.style.left = `${((this.data.begin + (left / 100) * whole - this.first) / span) * 100}%`;
      this.image.style.width = `${((width / 100) * whole / span) * 100}%`;
    }
    const tick = ROUND_S.find((each) => span / each <= MOST_TICKS) ?? ROUND_S.at(-1);
    this.times.replaceChildren();
    for (let time = Math.ceil(this.first / tick - 1e-9) * tick; time <= this.last + 1e-9; time += tick) {
      const mark = document.createElement("span");
      mark.textContent = formatTime(+time.toFixed(6));
      mark.style.left = `${((time - this.first) / span) * 100}%`;
      this.times.append(mark);
    }
    this.output.textContent = span < this.data.end - this.data.begin - 1e-9
      ? `${formatTime(+this.first.toFixed(3))} to ${formatTime(+this.last.toFixed(3))}` : "";
  }

  // Highest values forwards and lowest back; single values as a line once few are in sight.
  outline() {
    const { begin, step } = this.data, { low, high } = this, count = low.length;
    const from = Math.max(0, Math.floor((this.first - begin) / step) - 1), to = Math.min(count, Math.ceil((this.last - begin) / step) + 2);
    const each = Math.max(1, Math.floor((to - from) / WIDE)), span = this.last - this.first;
    const y = (value) => (TALL / 2 - (0.46 * TALL * value) / 32767).toFixed(1);
    const parts = [];
    let top = [], bottom = [];
    const close = () => { if (top.length) parts.push("M" + top.concat(bottom.reverse()).join("L") + "Z"); top = []; bottom = []; };
    for (let i = from; i < to; i += each) {
      let least = Infinity, most = -Infinity;
      for (let k = i; k < Math.min(i + each, to); k++) {
        if (low[k] === EMPTY) continue;
        if (low[k] < least) least = low[k];
        if (high[k] > most) most = high[k];
      }
      if (most === -Infinity) { close(); continue; }
      const at = (((begin + (i + each / 2) * step - this.first) / span) * WIDE).toFixed(1);
      top.push(`${at} ${y(most)}`); bottom.push(`${at} ${y(least)}`);
    }
    close();
    return parts.join("");
  }
}

for (const figure of document.querySelectorAll("figure.timeline")) figure.timeline = new Timeline(figure);
