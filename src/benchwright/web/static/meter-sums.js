// @ts-check
/**
 * What the live meter works out, and nothing else: no page, no sound input, no clock.
 *
 * Every figure is defined as in `benchwright.tape` (level.py, azimuth.py, azimuth_takes.py, tone.py, speed.py),
 * but over the last moments only, so that a screw can be turned by it. `tests/web/test_meter.py` runs this file
 * and the Python beside each other on the same samples.
 */

/** How long a sound counts, s (`AzimuthMeter.memory_s`). */
export const MEMORY = 0.7;
const PIECES_PER_SECOND = 10;
const LEVEL_PIECES = 5;
const HELD_PIECES = 20;
const RAIL = 0.999;
const RAIL_RUN = 3;
const FLATNESS = 1e-4;
/** Of a 16-bit converter: what stays within one is no flat top. */
const STEP = 2 ** -15;
const SHARPER = 1.3;
/** Flat tops in a tenth of a second that are more than chance. */
const FLAT_TOPS = 5;
const LEAST_CUT = 0.02;
const GREATEST_ANGLE = 60;
const USUAL_ANGLE = 10;
const PHASE_DOUBT = 0.01;
const INVERTED_PRIOR = 0.002;
const FOREIGN = 3e-6;
const LOWEST = 150;
const WINDOW_BINS = 2;
const LOWEST_TONE = 250;
const DROPOUT_SHARE = 0.25;
/** Seconds of one point of the speed trace. */
export const TRACE_STEP = 0.02;
const TRACE_POINTS = 500;
/** Seconds of the needle's mean, whose ends count less, so that slow wow does not move it. */
const MEAN_S = 3;
const SWING_S = 5;
const BANDS = [1000, 1260, 1587, 2000, 2520, 3175, 4000, 5040, 6350, 8000, 10079, 12699];
const TREBLE_FROM = 4000;

/** @param {number} amplitude */
export const decibels = (amplitude) => (amplitude > 0 ? 20 * Math.log10(amplitude) : -Infinity);

/** @param {number} phase */
const wrapped = (phase) => phase - 2 * Math.PI * Math.round(phase / (2 * Math.PI));

/** @param {number} rate samples per second */
const sizeFor = (rate) => 1 << Math.max(8, Math.round(Math.log2(0.09 * rate)));

/** Fourier transforms of one size, which is a power of two. */
export class Fourier {
  /** @param {number} size */
  constructor(size) {
    this.size = size;
    this.re = new Float64Array(size);
    this.im = new Float64Array(size);
    this.cosine = new Float64Array(size / 2);
    this.sine = new Float64Array(size / 2);
    for (let k = 0; k < size / 2; k++) {
      this.cosine[k] = Math.cos((2 * Math.PI * k) / size);
      this.sine[k] = Math.sin((2 * Math.PI * k) / size);
    }
  }

  /** Transform `re` and `im` in their place. */
  run() {
    const { size, re, im, cosine, sine } = this;
    for (let i = 1, j = 0; i < size; i++) {
      let bit = size >> 1;
      for (; j & bit; bit >>= 1) j ^= bit;
      j ^= bit;
      if (i < j) {
        [re[i], re[j]] = [re[j], re[i]];
        [im[i], im[j]] = [im[j], im[i]];
      }
    }
    for (let half = 1; half < size; half *= 2) {
      const stride = size / (2 * half);
      for (let start = 0; start < size; start += 2 * half) {
        for (let k = 0; k < half; k++) {
          const a = start + k;
          const b = a + half;
          const c = cosine[k * stride];
          const s = sine[k * stride];
          const r = re[b] * c + im[b] * s;
          const i = im[b] * c - re[b] * s;
          re[b] = re[a] - r;
          im[b] = im[a] - i;
          re[a] += r;
          im[a] += i;
        }
      }
    }
  }
}

/** The spectra of two real signals by one transform. */
class Pair {
  /** @param {number} size */
  constructor(size) {
    this.fourier = new Fourier(size);
    const bins = size / 2 + 1;
    this.bins = bins;
    this.leftRe = new Float64Array(bins);
    this.leftIm = new Float64Array(bins);
    this.rightRe = new Float64Array(bins);
    this.rightIm = new Float64Array(bins);
  }

  /**
   * @param {Float64Array} left
   * @param {Float64Array} right
   * @param {Float64Array} window
   */
  take(left, right, window) {
    const { fourier, bins } = this;
    const { re, im, size } = fourier;
    let one = 0;
    let other = 0;
    for (let n = 0; n < size; n++) {
      one += left[n];
      other += right[n];
    }
    one /= size;
    other /= size;
    for (let n = 0; n < size; n++) {
      re[n] = (left[n] - one) * window[n];
      im[n] = (right[n] - other) * window[n];
    }
    fourier.run();
    for (let k = 0; k < bins; k++) {
      const back = (size - k) % size;
      this.leftRe[k] = 0.5 * (re[k] + re[back]);
      this.leftIm[k] = 0.5 * (im[k] - im[back]);
      this.rightRe[k] = 0.5 * (im[k] + im[back]);
      this.rightIm[k] = 0.5 * (re[back] - re[k]);
    }
  }
}

/** @param {number} size */
function blackmanHarris(size) {
  return Float64Array.from({ length: size }, (_, n) => {
    const angle = (2 * Math.PI * n) / size;
    return 0.35875 - 0.48829 * Math.cos(angle) + 0.14128 * Math.cos(2 * angle) - 0.01168 * Math.cos(3 * angle);
  });
}

/**
 * @param {number} size
 * @param {number} period
 */
const hann = (size, period = size) =>
  Float64Array.from({ length: size }, (_, n) => 0.5 - 0.5 * Math.cos((2 * Math.PI * n) / period));

// -- level ---------------------------------------------------------------------------------------------------

/**
 * How many flat tops with sharp edges lie at the extremes of a piece: a wave that was cut off, at whatever level
 * (`LevelMeter._note_clipping`).
 * @param {Float64Array} piece
 * @param {number} size its largest sample
 */
export function flatTops(piece, size) {
  const flat = Math.max(FLATNESS * size, 0.6 * STEP);
  const last = piece.length - 1;
  let tops = 0;
  for (const side of [1, -1]) {
    const rail = piece.reduce((high, one) => Math.max(high, side * one), 0);
    let run = 0;
    for (let n = 0; n <= last; n++) {
      if (side * piece[n] >= rail - flat) {
        run++;
        continue;
      }
      const start = n - run;
      if (run >= RAIL_RUN && start > 0) {
        // The next but one: the sample before a rail may lie just below it.
        const before = rail - side * piece[Math.max(start - 2, 0)];
        const after = rail - side * piece[Math.min(n + 1, last)];
        // A parabola that stays within the flatness for the run has fallen by no more than this there.
        const half = (run - 1) / 2;
        const crest = Math.max(flat, STEP) * ((half + 2) / half) ** 2;
        if (Math.min(before, after) > SHARPER * crest + 0.5 * STEP) tops++;
      }
      run = 0;
    }
  }
  return tops;
}

/** The level of one channel, by pieces of a tenth of a second. */
class Level {
  /** @param {number} rate */
  constructor(rate) {
    this.length = Math.max(32, Math.floor(rate / PIECES_PER_SECOND));
    this.piece = new Float64Array(this.length);
    /** @type {{squares: number, peak: number, over: boolean, cut: boolean}[]} */
    this.pieces = [];
    this.squares = 0;
    this.peak = 0;
    this.over = false;
    this.count = 0;
    this.run = 0;
    this.most = 0;
  }

  /** @param {ArrayLike<number>} samples */
  add(samples) {
    for (let n = 0; n < samples.length; n++) {
      const value = samples[n];
      const height = Math.abs(value);
      this.squares += value * value;
      if (height > this.peak) this.peak = height;
      this.run = height >= RAIL ? this.run + 1 : 0;
      if (this.run >= RAIL_RUN) this.over = true;
      this.piece[this.count] = value;
      if (++this.count === this.length) this.close();
    }
  }

  close() {
    const cut = this.peak > LEAST_CUT && flatTops(this.piece, this.peak) >= FLAT_TOPS;
    this.pieces.push({ squares: this.squares, peak: this.peak, over: this.over, cut });
    if (this.pieces.length > HELD_PIECES) this.pieces.shift();
    this.most = Math.max(this.most, this.peak);
    this.squares = this.peak = this.count = 0;
    this.over = false;
  }

  now() {
    const last = this.pieces.slice(-LEVEL_PIECES);
    const squares = last.reduce((sum, piece) => sum + piece.squares, 0);
    const mean = last.length ? squares / (last.length * this.length) : 0;
    const highest = (/** @type {{peak: number}[]} */ pieces) => Math.max(0, ...pieces.map((piece) => piece.peak));
    return {
      // A sine that just reaches full scale has 0 dBFS.
      rms: mean > 0 ? 10 * Math.log10(2 * mean) : -Infinity,
      peak: decibels(highest(this.pieces.slice(-2))),
      held: decibels(highest(this.pieces)),
      most: decibels(this.most),
      over: this.pieces.some((piece) => piece.over),
      cut: last.filter((piece) => piece.cut).length >= 3,
    };
  }
}

// -- highs ---------------------------------------------------------------------------------------------------

/**
 * The power of the treble, of the sound from 250 Hz to 800 Hz, and of everything: of the treble the bands from
 * 4 kHz up together, or what lies within 3 % of one tone (`treble_of`).
 * @param {Float64Array} power by bins
 * @param {number} step Hz between two bins
 * @param {number} tone Hz; 0 for all of the treble
 */
function trebleOf(power, step, tone) {
  const level = (/** @type {number} */ low, /** @type {number} */ high) => {
    let sum = 0;
    for (let k = Math.ceil(low / step); k * step <= high && k < power.length; k++) sum += power[k];
    return sum;
  };
  let high = 0;
  if (tone > 0) {
    const half = Math.max(0.03 * tone, 4 * step);
    high = level(tone - half, tone + half);
  } else {
    const rate = 2 * step * (power.length - 1);
    const side = 2 ** (1 / 6);
    for (const band of BANDS) if (band >= TREBLE_FROM && band * side < 0.46 * rate) high += level(band / side, band * side);
  }
  return { high, bass: level(250, 800), all: power.reduce((sum, value) => sum + value, 0) };
}

// -- azimuth -------------------------------------------------------------------------------------------------

/**
 * @typedef {{left: Float64Array, right: Float64Array, re: Float64Array, im: Float64Array, count: number}} Sums
 * @typedef {{high: number, bass: number, all: number}} Treble
 * @typedef {{hertz: number[], phase: number[], weight: number[], coherence: number[]}} Bins
 * @typedef {{delay: number, sigma: number, spread: number, inverted: boolean, others: number[], agreement: number}} Estimate
 */

/**
 * Frequencies at which the channels have something in common.
 * @param {Sums} sums
 * @param {number} step Hz between two bins
 * @returns {Bins}
 */
function binsOf(sums, step) {
  const length = sums.left.length;
  const power = new Float64Array(length);
  let loudest = 0;
  const first = Math.floor(LOWEST / step) + 1;
  const end = Math.ceil(0.94 * (length - 1));
  for (let k = 0; k < length; k++) {
    power[k] = Math.sqrt(sums.left[k] * sums.right[k]);
    if (k >= first && k < end && power[k] > loudest) loudest = power[k];
  }
  /** @type {Bins} */
  const found = { hertz: [], phase: [], weight: [], coherence: [] };
  if (loudest <= 0) return found;
  const number = Math.max(sums.count * 0.9, 1.01);
  const least = Math.min(6 / number, 0.9);
  for (let k = first; k < end; k++) {
    if (!(power[k] > 1e-6 * loudest)) continue;
    const plain = (sums.re[k] ** 2 + sums.im[k] ** 2) / (sums.left[k] * sums.right[k]);
    const coherence = Math.min(1, Math.max(0, (plain - 1 / number) / (1 - 1 / number)));
    if (!(coherence > least)) continue;
    // Within the lobe of a tone the phase belongs to the tone, not to the middle of the bin.
    let around = 0;
    let moment = 0;
    for (let lobe = -4; lobe <= 4; lobe++) {
      const there = power[k + lobe] ?? 0;
      around += there;
      moment += lobe * there;
    }
    const good = Math.min(coherence, 1 - 1e-12);
    const variance = (1 - good) / (2 * number * good);
    const foreign = (FOREIGN * loudest) / power[k];
    found.hertz.push(step * (k + moment / Math.max(around, 1e-300)));
    found.phase.push(Math.atan2(sums.im[k], sums.re[k]));
    found.weight.push(1 / ((variance + PHASE_DOUBT ** 2 + foreign) * WINDOW_BINS));
    found.coherence.push(coherence);
  }
  return found;
}

/**
 * Least squares of the phase near a delay: the delay and its standard deviation.
 * @param {Bins} bins
 * @param {number} delay
 * @param {boolean} inverted
 */
function refined(bins, delay, inverted) {
  const { hertz, phase, weight } = bins;
  const count = hertz.length;
  const offset = inverted ? Math.PI : 0;
  for (let round = 0; round < 6; round++) {
    let above = 0;
    let below = 0;
    for (let k = 0; k < count; k++) {
      const turn = 2 * Math.PI * hertz[k];
      const rest = wrapped(phase[k] + turn * delay - offset);
      const wide = (rest / 0.7) ** 2;
      const heavy = (weight[k] * turn) / (1 + wide * wide);
      above += heavy * rest;
      below += heavy * turn;
    }
    const step = above / below;
    delay -= step;
    if (Math.abs(step) < 1e-12) break;
  }
  let misfit = 0;
  let stiff = 0;
  for (let k = 0; k < count; k++) {
    const turn = 2 * Math.PI * hertz[k];
    misfit += weight[k] * wrapped(phase[k] + turn * delay - offset) ** 2;
    stiff += weight[k] * turn * turn;
  }
  misfit *= WINDOW_BINS / count;
  return { delay, sigma: Math.sqrt(Math.max(misfit, 1) / stiff) };
}

/**
 * @param {Bins} bins
 * @param {number} delay
 * @param {boolean} inverted
 */
function fitOf(bins, delay, inverted) {
  let sum = 0;
  for (let k = 0; k < bins.hertz.length; k++) sum += bins.weight[k] * Math.cos(bins.phase[k] + 2 * Math.PI * bins.hertz[k] * delay);
  return inverted ? -sum : sum;
}

/**
 * How well each delay of an even grid fits, by turning every frequency's pointer on from one to the next.
 * @param {Bins} bins
 * @param {number} step
 * @param {number} side how many steps to either side of nought
 */
function matched(bins, step, side) {
  const match = new Float64Array(2 * side + 1);
  for (let k = 0; k < bins.hertz.length; k++) {
    const turn = 2 * Math.PI * bins.hertz[k] * step;
    const c = Math.cos(turn);
    const s = Math.sin(turn);
    let x = bins.weight[k] * Math.cos(bins.phase[k] - side * turn);
    let y = bins.weight[k] * Math.sin(bins.phase[k] - side * turn);
    for (let at = 0; at < match.length; at++) {
      match[at] += x;
      [x, y] = [x * c - y * s, x * s + y * c];
    }
  }
  return match;
}

/**
 * @param {Bins} bins
 * @param {number} greatest s
 * @param {number} usual s
 * @returns {Estimate|null}
 */
function estimate(bins, greatest, usual) {
  const count = bins.hertz.length;
  if (count === 0) return null;
  const step = 1 / (16 * bins.hertz.reduce((high, one) => Math.max(high, one), 0));
  const side = Math.ceil((greatest + 2 * step) / step);
  const match = matched(bins, step, side);
  const total = bins.weight.reduce((sum, one) => sum + one, 0);
  /** @type {{fit: number, delay: number, sigma: number, inverted: boolean}[]} */
  const candidates = [];
  for (const inverted of [false, true]) {
    const value = inverted ? match.map((one) => -one) : match;
    const peaks = [];
    for (let at = 1; at < value.length - 1; at++) if (value[at] >= value[at - 1] && value[at] >= value[at + 1]) peaks.push(at);
    peaks.sort((a, b) => value[b] - value[a]);
    for (const peak of peaks.slice(0, 40)) {
      const there = (peak - side) * step;
      const { delay, sigma } = refined(bins, there, inverted);
      if (Math.abs(delay) > greatest || Math.abs(delay - there) > 4 * step) continue;
      candidates.push({ fit: fitOf(bins, delay, inverted) - total, delay, sigma, inverted });
    }
  }
  if (!candidates.length) return null;
  // What no candidate explains (music that differs, filters) must not decide between them.
  const misfit = Math.max(1, (-2 * Math.max(...candidates.map((one) => one.fit)) * WINDOW_BINS) / count);
  const scored = candidates
    .map((one) => ({
      ...one,
      fit: one.fit / misfit,
      score: one.fit / misfit - 0.5 * (one.delay / usual) ** 2 + Math.log(one.inverted ? INVERTED_PRIOR : 1 - INVERTED_PRIOR),
    }))
    .sort((a, b) => b.score - a.score);
  const top = Math.max(...scored.map((one) => one.fit));
  // Whatever the sound itself cannot exclude by five standard deviations stays possible.
  const left = scored.filter((one) => one.fit > top - 12.5);
  const best = left[0];
  const others = left.slice(1).filter((one) => one.inverted === best.inverted);
  let chances = 0;
  let away = 0;
  for (const one of left) {
    const chance = Math.exp(one.score - best.score);
    chances += chance;
    away += chance * (one.delay - best.delay) ** 2;
  }
  return {
    delay: best.delay,
    sigma: best.sigma,
    spread: Math.sqrt(best.sigma ** 2 + away / chances),
    inverted: best.inverted,
    others: others.map((one) => one.delay),
    agreement: Math.sqrt(bins.coherence.reduce((sum, one) => sum + Math.min(one, 1), 0) / count),
  };
}

/** The spectra of both channels: of the azimuth each sound fades with time, of the treble it is dropped. */
class Spectra {
  /** @param {number} rate */
  constructor(rate) {
    this.rate = rate;
    this.size = sizeFor(rate);
    this.hop = this.size / 2;
    this.step = rate / this.size;
    this.keep = Math.exp(-this.hop / (rate * MEMORY));
    this.pair = new Pair(this.size);
    this.narrow = blackmanHarris(this.size);
    this.soft = hann(this.size);
    const sum = this.soft.reduce((all, one) => all + one, 0);
    this.scale = 4 / (sum * sum * 1.5);
    this.left = new Float64Array(this.size);
    this.right = new Float64Array(this.size);
    this.filled = 0;
    /** Hz of the high tone; 0 for all of the treble */
    this.tone = 0;
    this.fresh();
  }

  fresh() {
    const bins = this.size / 2 + 1;
    const empty = () => new Float64Array(bins);
    /** @type {Sums} */
    this.sums = { left: empty(), right: empty(), re: empty(), im: empty(), count: 0 };
    this.power = { left: empty(), right: empty(), mean: empty() };
    this.forgetTreble();
  }

  forgetTreble() {
    /** @type {{left: Treble, right: Treble, mean: Treble}[]} */
    this.trebles = [];
  }

  /**
   * @param {ArrayLike<number>} left
   * @param {ArrayLike<number>} right
   */
  add(left, right) {
    for (let n = 0; n < left.length; n++) {
      this.left[this.filled] = left[n];
      this.right[this.filled] = right[n];
      if (++this.filled < this.size) continue;
      this.#transform();
      this.left.copyWithin(0, this.hop);
      this.right.copyWithin(0, this.hop);
      this.filled = this.size - this.hop;
    }
  }

  #transform() {
    const { pair, sums, power, keep } = this;
    pair.take(this.left, this.right, this.narrow);
    const { leftRe, leftIm, rightRe, rightIm } = pair;
    for (let k = 0; k < pair.bins; k++) {
      sums.left[k] = keep * sums.left[k] + leftRe[k] ** 2 + leftIm[k] ** 2;
      sums.right[k] = keep * sums.right[k] + rightRe[k] ** 2 + rightIm[k] ** 2;
      sums.re[k] = keep * sums.re[k] + leftRe[k] * rightRe[k] + leftIm[k] * rightIm[k];
      sums.im[k] = keep * sums.im[k] + leftRe[k] * rightIm[k] - leftIm[k] * rightRe[k];
    }
    sums.count = sums.count * keep + 1;
    pair.take(this.left, this.right, this.soft);
    for (let k = 0; k < pair.bins; k++) {
      power.left[k] = leftRe[k] ** 2 + leftIm[k] ** 2;
      power.right[k] = rightRe[k] ** 2 + rightIm[k] ** 2;
      power.mean[k] = 0.25 * ((leftRe[k] + rightRe[k]) ** 2 + (leftIm[k] + rightIm[k]) ** 2);
    }
    const of = (/** @type {Float64Array} */ one) => trebleOf(one, this.step, this.tone);
    this.trebles.push({ left: of(power.left), right: of(power.right), mean: of(power.mean) });
    // What fades slowly would hide a sudden loss behind the sound before it.
    if (this.trebles.length * this.hop > MEMORY * this.rate) this.trebles.shift();
  }

  /**
   * How strong the treble is, in dB: against the sound from 250 Hz to 800 Hz if there is any, else against full
   * scale. The fifth with the most and the fifth with the least is left out: a click is no treble.
   * @param {"left"|"right"|"mean"} channel
   */
  treble(channel) {
    const heard = this.trebles.map((one) => one[channel]).sort((a, b) => a.high - b.high);
    const out = Math.floor(heard.length / 5);
    const steady = heard.slice(out, heard.length - out);
    const sum = (/** @type {keyof Treble} */ key) => steady.reduce((all, one) => all + one[key], 0);
    const all = sum("all");
    if (!(all > 0)) return null;
    const against = sum("bass") > 1e-4 * all ? "low" : "full";
    // A sine of full scale gives 1.
    const factor = this.scale / steady.length;
    const high = factor * sum("high");
    return { decibels: 10 * Math.log10(Math.max(high, 1e-15) / (against === "low" ? factor * sum("bass") : 1)), against };
  }

  /**
   * @param {number} spacing between the middles of the tracks, m
   * @param {number} speed of the tape, m/s
   */
  azimuth(spacing, speed) {
    if (!this.sums.count) return null;
    const delayOf = (/** @type {number} */ minutes) => (spacing * Math.tan((minutes * Math.PI) / 10800)) / speed;
    const found = estimate(binsOf(this.sums, this.step), delayOf(GREATEST_ANGLE), delayOf(USUAL_ANGLE));
    if (!found) return null;
    const angle = (/** @type {number} */ delay) => (Math.atan((delay * speed) / spacing) * 10800) / Math.PI;
    const leads = Math.abs(found.delay) < 2 * found.spread ? "" : found.delay > 0 ? "left" : "right";
    return {
      delay: found.delay,
      doubt: found.spread,
      angle: angle(found.delay),
      angleDoubt: (found.spread * speed * 10800) / (spacing * Math.PI),
      others: found.others.map(angle),
      leads,
      inverted: found.inverted,
      agreement: found.agreement,
    };
  }

  /** Phase of the right channel against the left where both are loudest. */
  phase() {
    const { sums } = this;
    let at = 0;
    let loudest = 0;
    for (let k = Math.floor(LOWEST / this.step) + 1; k < sums.left.length; k++) {
      const power = sums.left[k] * sums.right[k];
      if (power > loudest) [at, loudest] = [k, power];
    }
    return at ? { degrees: (Math.atan2(sums.im[at], sums.re[at]) * 180) / Math.PI, hertz: at * this.step } : null;
  }
}

// -- speed ---------------------------------------------------------------------------------------------------

/**
 * The one tone that stands out of a short piece of sound, 0 if none does (`find_tone`).
 * @param {Float64Array} samples a power of two of them, a tenth of a second to a second
 * @param {number} rate
 * @param {number} nominal Hz; 0 if any will do
 */
export function findTone(samples, rate, nominal) {
  const size = samples.length;
  const fourier = new Fourier(size);
  const window = hann(size, size - 1);
  const mean = samples.reduce((sum, one) => sum + one, 0) / size;
  for (let n = 0; n < size; n++) fourier.re[n] = (samples[n] - mean) * window[n];
  fourier.run();
  const bins = size / 2 + 1;
  const step = rate / size;
  const power = new Float64Array(bins);
  const total = new Float64Array(bins + 1);
  for (let k = 0; k < bins; k++) {
    power[k] = fourier.re[k] ** 2 + fourier.im[k] ** 2;
    total[k + 1] = total[k] + power[k];
  }
  if (!(total[bins] > 0)) return 0;
  const within = (/** @type {number} */ low, /** @type {number} */ high) => {
    const first = Math.min(bins, Math.max(0, Math.ceil(low / step)));
    const last = Math.min(bins, Math.max(0, Math.floor(high / step) + 1));
    return total[Math.max(first, last)] - total[first];
  };
  const half = (/** @type {number} */ k) => Math.max(0.03 * k * step, 3 * step);
  const near = (/** @type {number} */ k) => within(k * step - half(k), k * step + half(k));
  const around = (/** @type {number} */ k) => within((k * step) / 1.6, k * step * 1.6);
  const low = nominal > 0 ? 0.75 * nominal : LOWEST_TONE;
  const high = nominal > 0 ? Math.min(1.3 * nominal, 0.47 * rate) : 0.47 * rate;
  let at = 0;
  let most = -1;
  for (let k = Math.ceil(low / step); k * step <= high && k < bins; k++) {
    const there = near(k);
    if (there > most) [at, most] = [k, there];
  }
  if (most <= 0) return 0;
  if (!(nominal > 0)) {
    // A row of narrow pulses can have more power in a harmonic than in its fundamental.
    for (const divisor of [3, 2]) {
      const lower = Math.round(at / divisor);
      if (lower * step < LOWEST_TONE) continue;
      if (near(lower) > 0.1 * near(at) && near(lower) > 0.5 * around(lower)) {
        at = lower;
        break;
      }
    }
  }
  const side = Math.floor(half(at) / step);
  let moment = 0;
  let sum = 0;
  for (let k = Math.max(0, at - side); k <= Math.min(bins - 1, at + side); k++) {
    moment += k * step * power[k];
    sum += power[k];
  }
  const steady = near(at) > 0.5 * around(at) && near(at) > 0.05 * within(0.9 * low, rate);
  return steady ? moment / Math.max(sum, 1e-300) : 0;
}

/** The frequency of a tone along the way: turned down to nought hertz, filtered and thinned, as tone.py does. */
class Speed {
  /**
   * @param {number} rate
   * @param {readonly number[]} known usual tones, Hz
   */
  constructor(rate, known) {
    this.rate = rate;
    this.known = known;
    this.nominal = 0;
    this.piece = new Float64Array(1 << Math.round(Math.log2(0.17 * rate)));
    this.inPiece = 0;
    this.fresh();
  }

  fresh() {
    this.centre = 0;
    this.usual = 0;
    this.bad = 0;
    /** @type {number[]} */
    this.trace = [];
    this.points = 0;
    this.sum = this.steps = this.seconds = 0;
    this.#unfollow();
  }

  #unfollow() {
    this.re = this.im = 0;
    this.taken = 0;
    this.started = false;
  }

  /** @param {number} hertz */
  #follow(hertz) {
    this.centre = hertz;
    // A wander of 4 % and flutter up to 125 Hz to either side must fit between two phases.
    this.thinning = Math.max(1, Math.floor(this.rate / (2 * (125 + 0.04 * hertz))));
    const size = 4 * this.thinning;
    const window = hann(size);
    const turn = (2 * Math.PI * hertz) / this.rate;
    this.tapsRe = window.map((one, n) => one * Math.cos(turn * n));
    this.tapsIm = window.map((one, n) => -one * Math.sin(turn * n));
    this.back = turn * this.thinning;
    this.buffer = new Float64Array(size);
    this.#unfollow();
  }

  /** @param {ArrayLike<number>} samples */
  add(samples) {
    for (let n = 0; n < samples.length; n++) {
      this.piece[this.inPiece] = samples[n];
      if (++this.inPiece === this.piece.length) this.#look();
      if (!this.centre) continue;
      const buffer = /** @type {Float64Array} */ (this.buffer);
      buffer[this.taken] = samples[n];
      if (++this.taken === buffer.length) this.#step();
    }
  }

  /** Find the tone, or notice that it is another one or gone. */
  #look() {
    this.inPiece = 0;
    const found = findTone(this.piece, this.rate, this.nominal);
    if (!found) {
      if (this.centre && ++this.bad >= 3) this.fresh();
      return;
    }
    this.bad = 0;
    const off = this.centre ? Math.abs(found / this.centre - 1) : Infinity;
    if (off > 0.1) this.fresh();
    if (off > 0.01) this.#follow(found);
  }

  #step() {
    const { tapsRe, tapsIm, thinning } = this;
    const buffer = /** @type {Float64Array} */ (this.buffer);
    let re = 0;
    let im = 0;
    for (let n = 0; n < buffer.length; n++) {
      re += buffer[n] * /** @type {Float64Array} */ (tapsRe)[n];
      im += buffer[n] * /** @type {Float64Array} */ (tapsIm)[n];
    }
    buffer.copyWithin(0, thinning);
    this.taken = buffer.length - /** @type {number} */ (thinning);
    const size = Math.hypot(re, im);
    if (this.started) {
      const turned = Math.atan2(im * this.re - re * this.im, re * this.re + im * this.im);
      const advance = wrapped(turned - /** @type {number} */ (this.back));
      const hertz = this.centre + (advance * this.rate) / (2 * Math.PI * /** @type {number} */ (thinning));
      this.#note(hertz, size);
    }
    [this.re, this.im, this.started] = [re, im, true];
  }

  /**
   * @param {number} hertz
   * @param {number} size
   */
  #note(hertz, size) {
    const whole = size >= DROPOUT_SHARE * this.usual && Math.abs(hertz / this.centre - 1) < 0.12;
    this.usual = this.usual ? this.usual + 0.01 * (size - this.usual) : size;
    if (whole) {
      this.sum += hertz;
      this.steps++;
    }
    this.seconds += /** @type {number} */ (this.thinning) / this.rate;
    if (this.seconds < TRACE_STEP) return;
    this.trace.push(this.steps ? this.sum / this.steps : NaN);
    if (this.trace.length > TRACE_POINTS) this.trace.shift();
    this.points++;
    this.sum = this.steps = 0;
    this.seconds -= TRACE_STEP;
  }

  now() {
    const last = this.trace.slice(-Math.round(MEAN_S / TRACE_STEP));
    const heard = last.filter(Number.isFinite);
    if (!this.centre || heard.length < 5) return null;
    let hertz = 0;
    let weights = 0;
    last.forEach((one, n) => {
      if (!Number.isFinite(one)) return;
      const weight = 1 - Math.cos((2 * Math.PI * (n + 0.5)) / last.length);
      hertz += weight * one;
      weights += weight;
    });
    hertz /= weights;
    let nominal = this.nominal;
    let known = true;
    if (!nominal) {
      const near = this.known.reduce((best, tone) => (Math.abs(Math.log(hertz / tone)) < Math.abs(Math.log(hertz / best)) ? tone : best));
      known = Math.abs(hertz / near - 1) < 0.06;
      nominal = known ? near : hertz;
    }
    const percent = (/** @type {number} */ one) => 100 * (one / nominal - 1);
    const fast = heard.slice(-5);
    const swing = this.trace.slice(-Math.round(SWING_S / TRACE_STEP)).filter(Number.isFinite);
    const middle = swing.reduce((sum, one) => sum + one, 0) / swing.length;
    const away = swing.map((one) => Math.abs(one - middle)).sort((a, b) => a - b);
    return {
      hertz,
      nominal,
      known,
      percent: percent(hertz),
      fast: percent(fast.reduce((sum, one) => sum + one, 0) / fast.length),
      // Not exceeded for 95 % of the time, about the mean.
      swing: (100 * away[Math.min(away.length - 1, Math.floor(0.95 * away.length))]) / nominal,
      trace: this.trace.map(percent),
    };
  }
}

// -- all of it -----------------------------------------------------------------------------------------------

/**
 * @typedef {object} Choices
 * @property {"louder"|"left"|"right"|"mean"} channel whose level, highs and speed are told
 * @property {number} nominal Hz of the test tone as recorded; 0 for the nearest usual one
 * @property {number} tone Hz of the high tone; 0 for all of the treble
 * @property {number} spacing between the middles of the two tracks, m
 * @property {number} speed of the tape, m/s
 * @property {readonly number[]} known usual tones, Hz
 */

/** @typedef {ReturnType<Meter["now"]>} Figures */

/** All figures of the last moments of a sound input. */
export class Meter {
  /**
   * @param {number} rate samples per second
   * @param {Choices} choices
   */
  constructor(rate, choices) {
    if (!(rate >= 8000)) throw new RangeError(`${rate} samples per second: expected at least 8000`);
    this.rate = rate;
    this.choices = choices;
    this.fresh();
  }

  /** Forget everything heard. */
  fresh() {
    const { rate } = this;
    this.left = new Level(rate);
    this.right = new Level(rate);
    this.spectra = new Spectra(rate);
    this.spectra.tone = this.choices.tone;
    this.speed = new Speed(rate, this.choices.known);
    this.speed.nominal = this.choices.nominal;
    /** @type {"left"|"right"|"mean"} */
    this.channel = "left";
    this.channels = 2;
    this.same = true;
    this.products = { left: 0, right: 0, both: 0 };
    this.seconds = 0;
  }

  /** @param {Partial<Choices>} choices */
  choose(choices) {
    const before = this.choices;
    this.choices = { ...before, ...choices };
    if (this.choices.tone !== before.tone) {
      this.spectra.tone = this.choices.tone;
      this.spectra.forgetTreble();
    }
    if (this.choices.nominal !== before.nominal || this.choices.channel !== before.channel) {
      this.speed.nominal = this.choices.nominal;
      this.speed.fresh();
    }
  }

  /**
   * Take the next samples.
   * @param {Float32Array|Float64Array} left
   * @param {Float32Array|Float64Array} [right] none if the input has one channel
   */
  take(left, right) {
    this.channels = right ? 2 : 1;
    const other = right ?? left;
    this.seconds += left.length / this.rate;
    this.left.add(left);
    this.right.add(other);
    this.spectra.add(left, other);
    const keep = Math.exp(-left.length / (this.rate * MEMORY));
    const sums = { left: 0, right: 0, both: 0 };
    let same = true;
    for (let n = 0; n < left.length; n++) {
      if (left[n] !== other[n]) same = false;
      sums.left += left[n] * left[n];
      sums.right += other[n] * other[n];
      sums.both += left[n] * other[n];
    }
    this.same = same;
    this.products = {
      left: keep * this.products.left + sums.left,
      right: keep * this.products.right + sums.right,
      both: keep * this.products.both + sums.both,
    };
    this.channel = this.#chosen();
    if (this.channel === "mean") this.speed.add(left.map((one, n) => 0.5 * (one + other[n])));
    else this.speed.add(this.channel === "right" ? other : left);
  }

  #chosen() {
    const { channel } = this.choices;
    if (this.channels === 1) return "left";
    if (channel !== "louder") return channel;
    // The other one must be twice as strong, so that the choice does not flicker.
    const { left, right } = this.products;
    const now = this.channel === "right" ? (left > 2 * right ? "left" : "right") : right > 2 * left ? "right" : "left";
    if (now !== this.channel) this.speed.fresh();
    return now;
  }

  /** What is to be shown now. */
  now() {
    const { choices, channel, products, spectra } = this;
    const left = this.left.now();
    const right = this.right.now();
    const stereo = this.channels === 2 && !this.same;
    const size = Math.sqrt(products.left * products.right);
    const loudness = channel === "right" ? right : left;
    const mean = { ...left, rms: 10 * Math.log10(0.5 * (10 ** (left.rms / 10) + 10 ** (right.rms / 10))) };
    return {
      seconds: this.seconds,
      channels: this.channels,
      channel,
      same: this.channels === 2 && this.same && products.left > 0,
      left,
      right: this.channels === 2 ? right : null,
      level: channel === "mean" ? { ...mean, peak: Math.max(left.peak, right.peak), held: Math.max(left.held, right.held), over: left.over || right.over, cut: left.cut || right.cut } : loudness,
      balance: left.rms - right.rms,
      treble: spectra.treble(channel),
      azimuth: stereo && Math.min(left.rms, right.rms) > -70 ? spectra.azimuth(choices.spacing, choices.speed) : null,
      correlation: stereo && size > 0 ? products.both / size : NaN,
      phase: stereo ? spectra.phase() : null,
      speed: loudness.rms > -70 ? this.speed.now() : null,
    };
  }
}
