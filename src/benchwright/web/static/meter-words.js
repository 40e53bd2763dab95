// @ts-check
/** How the meter's figures are told: signs, words, and whether turning the screw helps. No page, no sound. */

/**
 * A number with its sign, as print has it.
 * @param {number} value
 * @param {number} places
 * @param {boolean} [signed]
 */
export function told(value, places, signed = false) {
  if (Number.isNaN(value)) return "–";
  if (!Number.isFinite(value)) return value < 0 ? "−∞" : "∞";
  const text = Math.abs(value).toFixed(places);
  if (Number(text) === 0) return text;
  return (value < 0 ? "−" : signed ? "+" : "") + text;
}

/**
 * Which channel comes first, and by how much.
 * @param {{delay: number, leads: string}} azimuth
 */
export function leads({ delay, leads }) {
  const size = `${told(Math.abs(delay) * 1e6, 1)} µs`;
  return leads ? `${leads} leads by ${size}` : `neither leads (within ${size})`;
}

/** Seconds that a mean is taken over, and how long ago the one it is held against ended. */
const MEAN = 0.6;
const BEFORE = 1.5;

/**
 * Whether a figure gets better while a screw is turned.
 *
 * Better is higher, or nearer to nought. A change counts only beyond `least`, which is in the figure's unit.
 */
export class Trend {
  /**
   * @param {"high"|"near zero"} better
   * @param {number} least
   */
  constructor(better, least) {
    this.better = better;
    this.least = least;
    this.fresh();
  }

  fresh() {
    /** @type {{at: number, value: number}[]} */
    this.heard = [];
    /** The best mean so far, as a figure; NaN before there is one. */
    this.best = NaN;
  }

  /** @param {number} value */
  #score(value) {
    return this.better === "high" ? value : -Math.abs(value);
  }

  /**
   * @param {number} from
   * @param {number} to
   */
  #mean(from, to) {
    const within = this.heard.filter((one) => one.at > from && one.at <= to);
    return within.length < 2 ? NaN : within.reduce((sum, one) => sum + one.value, 0) / within.length;
  }

  /**
   * @param {number} at seconds
   * @param {number} value
   * @returns {{way: "warmer"|"colder"|"steady"|"", best: number, behind: number, isBest: boolean}}
   *   `behind` is how far the figure is from the best so far, in its unit.
   */
  add(at, value) {
    if (Number.isFinite(value)) this.heard.push({ at, value });
    while (this.heard.length && this.heard[0].at < at - MEAN - BEFORE) this.heard.shift();
    const now = this.#mean(at - MEAN, at);
    const then = this.#mean(at - MEAN - BEFORE, at - BEFORE);
    if (Number.isNaN(now)) return { way: "", best: this.best, behind: NaN, isBest: false };
    if (Number.isNaN(this.best) || this.#score(now) > this.#score(this.best)) this.best = now;
    const behind = this.#score(this.best) - this.#score(now);
    const gain = this.#score(now) - this.#score(then);
    const way = Number.isNaN(gain) ? "" : gain > this.least ? "warmer" : gain < -this.least ? "colder" : "steady";
    return { way, best: this.best, behind, isBest: behind <= this.least };
  }
}

/**
 * Where a value stands on a scale, 0 to 1, and whether it is beyond it.
 * @param {number} value
 * @param {readonly [number, number]} scale
 */
export function placeOn(value, [low, high]) {
  const place = (value - low) / (high - low);
  return { place: Math.min(1, Math.max(0, place)), beyond: place < 0 || place > 1 };
}

/**
 * Whether a figure that should be near nought is good, as `Limit.grade` has it: its doubt counts twice.
 * @param {number} value
 * @param {number} doubt one standard deviation
 * @param {{good: number, bad: number}} limit
 * @returns {"good"|"near"|"off"}
 */
export function graded(value, doubt, { good, bad }) {
  const size = Math.abs(value);
  return size + 2 * doubt <= good ? "good" : size - 2 * doubt >= bad ? "off" : "near";
}
