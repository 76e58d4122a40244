// What was recorded: coarser versions of the samples for drawing, times, spectra, rises.

// Lowest and highest value of every 16, 64, 256, … samples: a column of pixels then costs a few look-ups.
class Heights {
  constructor(samples) {
    this.samples = samples;
    this.levels = [];
    let block = 16;
    let low = samples, high = samples, step = 16;
    while (low.length > 1 && block <= 1 << 24) {
      const count = Math.ceil(low.length / step);
      const lows = new Int16Array(count), highs = new Int16Array(count);
      for (let i = 0; i < count; i++) {
        let a = 32767, b = -32768;
        const end = Math.min(low.length, (i + 1) * step);
        for (let j = i * step; j < end; j++) {
          if (low[j] < a) a = low[j];
          if (high[j] > b) b = high[j];
        }
        lows[i] = a; highs[i] = b;
      }
      this.levels.push({ block, lows, highs });
      low = lows; high = highs; step = 4; block *= 4;
    }
  }

  // [lowest, highest] of samples first (included) to last (not included), to the block.
  between(first, last) {
    let lows = this.samples, highs = this.samples, block = 1;
    for (const level of this.levels) {
      if (level.block * 2 > last - first) break;
      ({ lows, highs, block } = level);
    }
    let a = 32767, b = -32768;
    const end = Math.min(lows.length, Math.max(Math.ceil(last / block), Math.floor(first / block) + 1));
    for (let i = Math.max(0, Math.floor(first / block)); i < end; i++) {
      if (lows[i] < a) a = lows[i];
      if (highs[i] > b) b = highs[i];
    }
    return a > b ? [0, 0] : [a, b];
  }
}

// Root mean square of every 2 ms.
function computeEnvelope(samples, fs) {
  const block = Math.max(1, Math.round(0.002 * fs));
  const values = new Float32Array(Math.ceil(samples.length / block));
  for (let i = 0; i < values.length; i++) {
    const end = Math.min(samples.length, (i + 1) * block);
    let sum = 0;
    for (let j = i * block; j < end; j++) sum += samples[j] * samples[j];
    values[i] = Math.sqrt(sum / Math.max(1, end - i * block));
  }
  return { block, values };
}

// Sample positions and times; a gap is a jump in time between two samples.
class Clock {
  constructor(fs, count, gaps) { this.fs = fs; this.count = count; this.gaps = gaps; }
  timeOf(index) {
    let time = index / this.fs;
    for (const [sample, duration] of this.gaps) if (index >= sample) time += duration;
    return time;
  }
  indexOf(time) {
    let passed = 0;
    for (const [sample, duration] of this.gaps) {
      const begins = sample / this.fs + passed;
      if (time < begins) break;
      if (time < begins + duration) return sample;
      passed += duration;
    }
    return Math.min(Math.max((time - passed) * this.fs, 0), this.count);
  }
}

// Power spectra in decibels: radix-2 transform of a Hann window.
class Spectrum {
  constructor(size) {
    this.size = size;
    this.window = Float64Array.from({ length: size }, (_, i) => 0.5 - 0.5 * Math.cos((2 * Math.PI * i) / size));
    this.cos = Float64Array.from({ length: size / 2 }, (_, i) => Math.cos((2 * Math.PI * i) / size));
    this.sin = Float64Array.from({ length: size / 2 }, (_, i) => -Math.sin((2 * Math.PI * i) / size));
    this.order = Uint32Array.from({ length: size }, (_, i) => {
      let reversed = 0;
      for (let bit = 1; bit < size; bit <<= 1) { reversed = (reversed << 1) | (i & 1); i >>= 1; }
      return reversed;
    });
    this.re = new Float64Array(size); this.im = new Float64Array(size);
  }
  // Level of each of size / 2 frequencies around sample `middle`, written to `levels`.
  measure(samples, middle, levels) {
    const { size, re, im, cos, sin } = this;
    const first = Math.round(middle) - size / 2;
    for (let i = 0; i < size; i++) {
      const j = first + i;
      re[this.order[i]] = j >= 0 && j < samples.length ? samples[j] * this.window[i] : 0;
    }
    im.fill(0);
    for (let half = 1; half < size; half *= 2) {
      const stride = size / (2 * half);
      for (let start = 0; start < size; start += 2 * half) {
        for (let k = 0; k < half; k++) {
          const a = start + k, b = a + half, c = cos[k * stride], s = sin[k * stride];
          const x = re[b] * c - im[b] * s, y = re[b] * s + im[b] * c;
          re[b] = re[a] - x; im[b] = im[a] - y; re[a] += x; im[a] += y;
        }
      }
    }
    for (let i = 0; i < size / 2; i++) levels[i] = 10 * Math.log10(re[i] * re[i] + im[i] * im[i] + 1e-9);
  }
}

// The sample within 30 ms at which the next 3 ms hold most energy against the 3 ms before.
function findRise(samples, fs, index) {
  const reach = Math.round(0.03 * fs), span = Math.max(2, Math.round(0.003 * fs));
  const energy = (from, to) => {
    let sum = 0;
    for (let j = Math.max(0, from); j < Math.min(samples.length, to); j++) sum += samples[j] * samples[j];
    return sum;
  };
  let best = Math.round(index), most = -Infinity;
  for (let i = Math.max(0, best - reach), end = Math.min(samples.length - 1, Math.round(index) + reach); i <= end; i++) {
    const rise = Math.log(energy(i, i + span) + span) - Math.log(energy(i - span, i) + span);
    if (rise > most) { most = rise; best = i; }
  }
  return best;
}
