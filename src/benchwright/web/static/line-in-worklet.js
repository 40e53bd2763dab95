// @ts-check
/**
 * Gathers what comes in by the sound input and hands it on in blocks, to the meter, to a recorder, or to both.
 *
 * Nothing else is done on this thread: whatever takes longer than a block of 128 samples would lose some.
 */

const BLOCK = 2048;

// @ts-ignore: these two names exist where worklets run
registerProcessor("line-in", class extends AudioWorkletProcessor {
  constructor() {
    super();
    /** @type {Set<MessagePort>} */
    this.receivers = new Set();
    this.filled = 0;
    /** @type {Float32Array[]} */
    this.blocks = [];
    this.port.onmessage = (/** @type {MessageEvent} */ event) => {
      const receiver = /** @type {MessagePort} */ (event.data);
      this.receivers.add(receiver);
      receiver.onmessage = () => this.receivers.delete(receiver); // it has heard enough
    };
  }

  /** @param {Float32Array[][]} inputs */
  process(inputs) {
    const channels = inputs[0].slice(0, 2);
    if (!channels.length) return true;
    if (channels.length !== this.blocks.length) {
      this.blocks = channels.map(() => new Float32Array(BLOCK));
      this.filled = 0;
    }
    channels.forEach((channel, n) => this.blocks[n].set(channel, this.filled));
    this.filled += channels[0].length;
    if (this.filled === BLOCK) {
      for (const receiver of this.receivers) receiver.postMessage(this.blocks);
      this.filled = 0;
    }
    return true;
  }
});
