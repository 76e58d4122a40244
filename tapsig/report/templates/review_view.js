// How it is drawn: the whole recording in lines, the close-up, and its spectrum over time.

const LINE_LENGTHS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 3600];
const MOST_LINES = 12, LINE_GAP = 6, FLAG_HEIGHT = 18, MARGIN_LEFT = 54;

function fitCanvas(canvas) {
  const ratio = window.devicePixelRatio || 1;
  const width = Math.max(1, canvas.clientWidth), height = Math.max(1, canvas.clientHeight);
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio); canvas.height = Math.round(height * ratio);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = "12px system-ui, sans-serif";
  return { pen, width, height };
}

function readColours() {
  const style = getComputedStyle(document.documentElement);
  const names = ["ink", "soft", "rule", "sheet", "wave", "outline", "tap", "other", "doubt", "cursor",
    "tone-low", "tone-mid", "tone-high"];
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue("--" + name).trim()]));
}

function markColour(colours, marks, mark) {
  if (marks.isDoubtful(mark)) return colours.doubt;
  return mark.kind === TAP ? colours.tap : colours.other;
}

class Views {
  constructor(recording, marks) {
    Object.assign(this, { recording, marks });
    this.canvases = Object.fromEntries(["lines", "wave", "tones"].map((id) => [id, document.getElementById(id)]));
    this.recolour();
    const size = 2 ** Math.round(Math.log2(Math.min(2048, Math.max(32, recording.fs * 0.032))));
    this.spectrum = new Spectrum(size);
    this.levels = new Float64Array(size / 2);
    const [low, high] = recording.heights.between(0, recording.samples.length);
    this.top = Math.max(16, -low, high);
    this.loudest = 20 * Math.log10((this.top * size) / 4);
    this.quietest = Math.min(this.findFloor() + 3, this.loudest - 20);
    this.layOutLines();
  }

  // The usual level of noise: the median over 64 spectra all along the recording.
  findFloor() {
    const all = [];
    for (let i = 0; i < 64; i++) {
      this.spectrum.measure(this.recording.samples, ((i + 0.5) / 64) * this.recording.samples.length, this.levels);
      all.push(...this.levels);
    }
    return all.sort((a, b) => a - b)[all.length >> 1];
  }

  recolour() {
    this.colours = readColours();
    const part = (name) => [1, 3, 5].map((i) => parseInt(this.colours[name].slice(i, i + 2), 16));
    const [low, mid, high] = [part("tone-low"), part("tone-mid"), part("tone-high")];
    this.tones = Uint32Array.from({ length: 256 }, (_, i) => {
      const [from, to, share] = i < 128 ? [low, mid, i / 127] : [mid, high, (i - 128) / 127];
      const [r, g, b] = from.map((value, k) => Math.round(value + (to[k] - value) * share));
      return (255 << 24) | (b << 16) | (g << 8) | r;
    });
    this.sheet = null;
  }

  layOutLines() {
    const { fs, samples } = this.recording;
    const seconds = samples.length / fs;
    this.lineSeconds = LINE_LENGTHS_S.find((length) => seconds / length <= MOST_LINES) ?? seconds / MOST_LINES;
    this.lineSamples = this.lineSeconds * fs;
    this.lineCount = Math.max(1, Math.ceil(samples.length / this.lineSamples - 1e-9));
    if (this.lineCount === 1) this.lineSamples = Math.max(1, samples.length);
    document.getElementById("line-length").textContent = `${+(this.lineSamples / fs).toPrecision(3)} s`;
  }

  // ------------------------------------------------------------ the whole recording
  lineBox(width, height) {
    return { left: MARGIN_LEFT, wide: width - MARGIN_LEFT - 4, tall: (height - LINE_GAP) / this.lineCount };
  }
  lineIndexAt(x, y) {
    const { clientWidth, clientHeight } = this.canvases.lines;
    const { left, wide, tall } = this.lineBox(clientWidth, clientHeight);
    const line = Math.min(this.lineCount - 1, Math.max(0, Math.floor(y / tall)));
    const share = Math.min(1, Math.max(0, (x - left) / wide));
    return Math.min(this.recording.samples.length, (line + share) * this.lineSamples);
  }
  drawLines(view) {
    const canvas = this.canvases.lines;
    const { pen, width, height } = fitCanvas(canvas);
    if (!this.sheet || this.sheet.width !== canvas.width || this.sheet.height !== canvas.height) this.inkLines(canvas);
    pen.drawImage(this.sheet, 0, 0, width, height);
    const box = this.lineBox(width, height), { clock } = this.recording;
    const place = (index) => {
      const line = Math.min(this.lineCount - 1, Math.floor(index / this.lineSamples));
      return [box.left + (index / this.lineSamples - line) * box.wide, line * box.tall + LINE_GAP, line];
    };
    for (const mark of this.marks.list) {
      const [x, y] = place(clock.indexOf(mark.onset_s));
      pen.fillStyle = markColour(this.colours, this.marks, mark);
      const doubtful = this.marks.isDoubtful(mark);
      pen.fillRect(x - 1, y - 4, doubtful ? 4 : 2, doubtful ? 8 : 5);
    }
    pen.strokeStyle = this.colours.cursor; pen.lineWidth = 2;
    for (let line = place(view.first)[2]; line <= place(view.last)[2]; line++) {
      const from = Math.max(view.first, line * this.lineSamples), to = Math.min(view.last, (line + 1) * this.lineSamples);
      const x = box.left + (from / this.lineSamples - line) * box.wide;
      pen.strokeRect(x, line * box.tall + LINE_GAP - 3, Math.max(3, ((to - from) / this.lineSamples) * box.wide), box.tall - 3);
    }
    canvas.setAttribute("aria-label", `${clock.timeOf(this.recording.samples.length).toFixed(1)} s in ${this.lineCount} lines;`
      + ` the close-up shows ${clock.timeOf(view.first).toFixed(2)} to ${clock.timeOf(view.last).toFixed(2)} s`);
  }
  inkLines(canvas) {
    this.sheet = document.createElement("canvas");
    this.sheet.width = canvas.width; this.sheet.height = canvas.height;
    const ratio = canvas.width / Math.max(1, canvas.clientWidth), pen = this.sheet.getContext("2d");
    pen.scale(ratio, ratio);
    const { left, wide, tall } = this.lineBox(canvas.clientWidth, canvas.clientHeight);
    const { clock } = this.recording, perPixel = this.lineSamples / wide;
    pen.font = "11px system-ui, sans-serif"; pen.textBaseline = "middle";
    for (let line = 0; line < this.lineCount; line++) {
      const middle = (line + 0.5) * tall + LINE_GAP / 2, scale = (tall - LINE_GAP) / 2 / this.top;
      pen.fillStyle = this.colours.soft;
      pen.fillText(formatClock(clock.timeOf(line * this.lineSamples)), 0, middle);
      pen.fillStyle = this.colours.wave;
      this.inkColumns(pen, left, wide, line * this.lineSamples, perPixel, (value) => middle - value * scale);
    }
  }
  // Lowest to highest sample of each column of pixels, from sample `first` on; `toY` makes a height of a value.
  inkColumns(pen, left, wide, first, perPixel, toY) {
    const { heights, samples } = this.recording;
    for (let x = 0; x < wide; x++) {
      const from = first + x * perPixel;
      if (from + perPixel <= 0 || from >= samples.length) continue;
      const [low, high] = heights.between(Math.max(0, from), Math.min(from + perPixel, samples.length));
      pen.fillRect(left + x, toY(high), 1, Math.max(1, toY(low) - toY(high)));
    }
  }

  // ------------------------------------------------------------ close up
  xOf(view, index) {
    return MARGIN_LEFT + ((index - view.first) / (view.last - view.first)) * (this.canvases.wave.clientWidth - MARGIN_LEFT);
  }
  indexAt(view, x) {
    return view.first + ((x - MARGIN_LEFT) / (this.canvases.wave.clientWidth - MARGIN_LEFT)) * (view.last - view.first);
  }
  markAt(view, x, within = 7) {
    let found = null, least = within;
    for (const mark of this.marks.list) {
      const apart = Math.abs(this.xOf(view, this.recording.clock.indexOf(mark.onset_s)) - x);
      if (apart <= least) { found = mark; least = apart; }
    }
    return found;
  }
  drawWave(view, state) {
    const { pen, width, height } = fitCanvas(this.canvases.wave), { colours } = this;
    const { samples, envelope, clock, volts_per_step } = this.recording;
    const low = FLAG_HEIGHT + 4, tall = height - low - 18, middle = low + tall / 2, wide = width - MARGIN_LEFT;
    const scale = Math.min(tall / 2 / this.top * state.stretch, 1e3), perPixel = (view.last - view.first) / wide;
    const toY = (value) => Math.min(low + tall, Math.max(low, middle - value * scale));
    this.drawScale(pen, view, height, middle, tall, volts_per_step / scale);
    pen.save();
    pen.beginPath(); pen.rect(MARGIN_LEFT, 0, wide, height); pen.clip();
    pen.fillStyle = colours.wave; pen.strokeStyle = colours.wave; pen.lineWidth = 1.2;
    if (perPixel > 2) this.inkColumns(pen, MARGIN_LEFT, wide, view.first, perPixel, toY);
    else {
      pen.beginPath();
      for (let i = Math.max(0, Math.floor(view.first)); i <= Math.min(samples.length - 1, Math.ceil(view.last)); i++) {
        pen.lineTo(this.xOf(view, i), toY(samples[i]));
      }
      pen.stroke();
    }
    pen.strokeStyle = colours.outline; pen.lineWidth = 1.5; pen.beginPath();
    const perBlock = Math.max(1, perPixel / envelope.block);
    for (let b = Math.max(0, Math.floor(view.first / envelope.block)); b * envelope.block <= view.last && b < envelope.values.length;) {
      const end = Math.min(envelope.values.length, Math.floor(b + perBlock));
      let most = 0;
      for (let j = b; j < Math.max(end, b + 1); j++) most = Math.max(most, envelope.values[j]);
      pen.lineTo(this.xOf(view, (b + perBlock / 2) * envelope.block), toY(most));
      b = Math.max(b + 1, end);
    }
    pen.stroke();
    pen.restore();
    for (const [sample] of clock.gaps) {
      if (sample < view.first || sample > view.last) continue;
      pen.setLineDash([2, 3]); this.drawPost(pen, this.xOf(view, sample), low, low + tall, colours.ink); pen.setLineDash([]);
    }
    this.drawFlags(pen, view, low, tall);
    this.drawPost(pen, this.xOf(view, state.cursor), low, low + tall, colours.cursor);
    if (state.playing !== null) this.drawPost(pen, this.xOf(view, state.playing), low, low + tall, colours.doubt);
    this.canvases.wave.setAttribute("aria-label", `Waveform and envelope, ${formatRange(clock, view)}; cursor at `
      + `${clock.timeOf(state.cursor).toFixed(3)} s`);
  }
  drawPost(pen, x, from, to, colour, width = 1.5) {
    pen.strokeStyle = colour; pen.lineWidth = width;
    pen.beginPath(); pen.moveTo(x, from); pen.lineTo(x, to); pen.stroke();
  }
  drawScale(pen, view, height, middle, tall, voltsPerPixel) {
    const { colours } = this, { clock } = this.recording;
    pen.textBaseline = "alphabetic"; pen.fillStyle = colours.soft; pen.lineWidth = 1;
    const step = niceStep((view.last - view.first) / this.recording.fs / 7);
    const end = Math.min(clock.timeOf(view.last), clock.timeOf(this.recording.samples.length));
    let last = 0;
    for (let k = Math.ceil(clock.timeOf(view.first) / step); k * step <= end; k++) {
      const x = this.xOf(view, clock.indexOf(k * step));
      if (x < Math.max(MARGIN_LEFT, last + 30)) continue; // times within a gap share one place
      last = x;
      this.drawPost(pen, x, middle - tall / 2, middle + tall / 2, colours.rule, 1);
      pen.fillText(`${+(k * step).toFixed(4)}`, x + 3, height - 4);
    }
    for (const share of [-1, 0, 1]) {
      pen.fillText(formatVolts((share * tall * voltsPerPixel) / 2), 0, middle - (share * tall) / 2 + (share + 1) * 4);
    }
    this.drawPost(pen, MARGIN_LEFT, middle - tall / 2, middle + tall / 2, colours.rule, 1);
  }
  drawFlags(pen, view, low, tall) {
    let taken = -Infinity;
    for (const mark of this.marks.list) {
      const x = this.xOf(view, this.recording.clock.indexOf(mark.onset_s));
      if (x < MARGIN_LEFT - 1 || x > this.canvases.wave.clientWidth + 1) continue;
      const colour = markColour(this.colours, this.marks, mark), chosen = mark.id === this.marks.now.chosen;
      const doubtful = this.marks.isDoubtful(mark);
      const crowded = !chosen && x < taken;
      this.drawPost(pen, x, crowded ? FLAG_HEIGHT + 1 : 2, low + tall, colour, chosen ? 3 : 1.5);
      const text = (doubtful ? "? " : "") + (mark.kind.length > 14 ? mark.kind.slice(0, 13) + "…" : mark.kind);
      const wide = pen.measureText(text).width + 10;
      const left = Math.min(x, this.canvases.wave.clientWidth - wide - 2);
      if (crowded) continue;
      taken = x + wide + 2;
      pen.fillStyle = doubtful ? this.colours.sheet : colour;
      pen.fillRect(left, 2, wide, FLAG_HEIGHT - 3);
      pen.strokeStyle = colour; pen.lineWidth = chosen ? 2.5 : 1; pen.strokeRect(left, 2, wide, FLAG_HEIGHT - 3);
      pen.fillStyle = doubtful ? colour : this.colours.sheet; pen.textBaseline = "middle";
      pen.fillText(text, left + 5, 2 + (FLAG_HEIGHT - 3) / 2 + 0.5);
    }
  }
  drawTones(view) {
    const { pen, width, height } = fitCanvas(this.canvases.tones), { samples, fs } = this.recording;
    const columns = Math.max(1, Math.floor((width - MARGIN_LEFT) / 2)), rows = this.levels.length;
    const image = new ImageData(columns, rows), pixels = new Uint32Array(image.data.buffer);
    for (let x = 0; x < columns; x++) {
      const middle = view.first + ((x + 0.5) / columns) * (view.last - view.first);
      if (middle < 0 || middle >= samples.length) continue;
      this.spectrum.measure(samples, middle, this.levels);
      for (let k = 0; k < rows; k++) {
        // A square-root scale of frequency: panels ring low, and that is where the rows are needed.
        const level = this.levels[Math.min(rows - 1, Math.round(((k + 0.5) / rows) ** 2 * rows))];
        const share = (level - this.quietest) / (this.loudest - this.quietest);
        pixels[(rows - 1 - k) * columns + x] = this.tones[Math.min(255, Math.max(0, Math.round(share * 255)))];
      }
    }
    this.pad ??= document.createElement("canvas");
    this.pad.width = columns; this.pad.height = rows;
    this.pad.getContext("2d").putImageData(image, 0, 0);
    pen.imageSmoothingEnabled = true;
    pen.drawImage(this.pad, MARGIN_LEFT, 0, width - MARGIN_LEFT, height);
    pen.fillStyle = this.colours.soft; pen.textBaseline = "middle";
    for (const share of [0, 0.25, 0.5, 0.75, 1]) {
      pen.fillText(formatHertz((share ** 2 * fs) / 2), 0, height - 7 - share * (height - 14));
    }
    this.canvases.tones.setAttribute("aria-label", `Spectrum over time, 0 to ${formatHertz(fs / 2)}`);
  }
}

function niceStep(least) {
  const power = 10 ** Math.floor(Math.log10(least));
  return [1, 2, 5, 10].map((k) => k * power).find((step) => step >= least);
}
function formatClock(seconds) {
  const whole = Math.round(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}
function formatRange(clock, view) {
  return `${clock.timeOf(Math.max(0, view.first)).toFixed(3)} to ${clock.timeOf(Math.min(clock.count, view.last)).toFixed(3)} s`;
}
function formatVolts(volts) {
  if (volts === 0) return "0 V";
  return Math.abs(volts) < 0.1 ? `${+(volts * 1000).toPrecision(2)} mV` : `${+volts.toPrecision(2)} V`;
}
function formatHertz(hertz) { return hertz >= 1000 ? `${+(hertz / 1000).toPrecision(3)} kHz` : `${Math.round(hertz)} Hz`; }
