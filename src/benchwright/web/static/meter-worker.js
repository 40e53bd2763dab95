// @ts-check
/** Runs the meter's sums beside the page and beside the sound: blocks come in by a port, figures go out. */

import { Meter } from "/static/meter-sums.js";

const EVERY = 0.1;
/** Seconds after an input opens in which it may click. */
const SETTLING = 0.5;

/** @type {Meter|null} */
let meter = null;
let told = 0;
let settling = 0;

/** @param {MessageEvent} event */
self.onmessage = ({ data }) => {
  if (data.port) {
    meter = new Meter(data.rate, data.choices);
    told = 0;
    settling = SETTLING;
    data.port.onmessage = heard;
  } else if (data.choices) meter?.choose(data.choices);
  else if (data.fresh) meter?.fresh();
};

/** @param {MessageEvent} event */
function heard({ data }) {
  if (!meter) return;
  if (settling > 0) {
    settling -= data[0].length / meter.rate;
    return;
  }
  meter.take(data[0], data[1]);
  if (meter.seconds - told < EVERY && meter.seconds >= told) return;
  told = meter.seconds;
  self.postMessage(meter.now());
}
