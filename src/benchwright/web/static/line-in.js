// @ts-check
/** The sound input: which ones there are, opening one as it is, without anything that alters the sound. */

const CHOSEN = "line-in";

/** Why the sound input cannot be heard, in words that say what to do. */
export class NoSound extends Error {}

/** @param {unknown} problem */
export function wordsFor(problem) {
  const name = problem instanceof Error || problem instanceof DOMException ? problem.name : "";
  if (name === "NotAllowedError" || name === "SecurityError")
    return "The browser does not let this page hear the sound input. Allow the microphone for this address (most browsers have a sign for it beside the address), then try again.";
  if (name === "NotFoundError")
    return "There is no sound input on this device. Plug in a sound interface or a lead to the line input, then try again.";
  if (name === "NotReadableError" || name === "AbortError")
    return "The sound input cannot be opened: another program may hold it. Close that program, or unplug the interface and plug it in again, then try again.";
  if (name === "OverconstrainedError") return "The sound input that was chosen is no longer there. Choose another one.";
  return `The sound input cannot be opened: ${problem instanceof Error ? problem.message : "the browser does not say why"}.`;
}

function mustBeSecure() {
  if (navigator.mediaDevices && window.isSecureContext && "AudioWorkletNode" in window) return;
  throw new NoSound(
    window.isSecureContext
      ? "This browser cannot measure sound. Use a current one."
      : "Browsers give sound to a page only over https, or on the machine itself. Open the bench at http://127.0.0.1 on the machine that runs it, or by the https address that benchwright serve --lan shows.",
  );
}

/** The input chosen last; empty for the browser's own choice. */
export function chosenInput() {
  try {
    return localStorage.getItem(CHOSEN) ?? "";
  } catch {
    return "";
  }
}

/**
 * Let the person choose an input. Browsers name them only once one was allowed.
 * @param {HTMLSelectElement} select
 */
export async function fillInputs(select) {
  const found = navigator.mediaDevices ? await navigator.mediaDevices.enumerateDevices().catch(() => []) : [];
  const inputs = found.filter((one) => one.kind === "audioinput" && one.deviceId && one.deviceId !== "default");
  const options = [["", "The browser's own choice"], ...inputs.map((one, n) => [one.deviceId, one.label || `Input ${n + 1}`])];
  select.replaceChildren(...options.map(([value, text]) => new Option(text, value)));
  select.value = chosenInput();
  if (select.selectedIndex < 0) select.value = "";
}

/** @param {HTMLSelectElement} select */
export function keepInput(select) {
  try {
    localStorage.setItem(CHOSEN, select.value);
  } catch {
    // It is chosen anew next time.
  }
}

/** One sound input that is open. */
export class LineIn {
  /**
   * @param {AudioContext} context
   * @param {MediaStream} stream
   * @param {AudioWorkletNode} node
   */
  constructor(context, stream, node) {
    this.context = context;
    this.stream = stream;
    this.node = node;
    this.track = stream.getAudioTracks()[0];
    this.rate = context.sampleRate;
    this.label = this.track.label || "sound input";
  }

  /** Open the chosen input. */
  static async open() {
    mustBeSecure();
    const device = chosenInput();
    const plain = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: { ideal: 2 } };
    /** @type {MediaStream} */
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ audio: { ...plain, ...(device ? { deviceId: { exact: device } } : {}) } });
    } catch (problem) {
      throw new NoSound(wordsFor(problem));
    }
    const context = new AudioContext({ latencyHint: "playback" });
    try {
      await context.audioWorklet.addModule("/static/line-in-worklet.js");
      if (context.state !== "running") await context.resume();
      const node = new AudioWorkletNode(context, "line-in", { channelCountMode: "max", outputChannelCount: [1] });
      context.createMediaStreamSource(stream).connect(node);
      node.connect(context.destination); // its output is silence; what leads nowhere is not run
      return new LineIn(context, stream, node);
    } catch (problem) {
      for (const track of stream.getTracks()) track.stop();
      await context.close();
      throw new NoSound(wordsFor(problem));
    }
  }

  /** What alters the sound although it was asked not to, in words; empty if nothing does. */
  get altered() {
    const settings = this.track.getSettings();
    const words = { echoCancellation: "echo cancelling", noiseSuppression: "noise suppression", autoGainControl: "automatic gain" };
    const on = Object.entries(words).filter(([name]) => /** @type {Record<string, unknown>} */ (settings)[name] === true);
    return on.length ? `The browser leaves on: ${on.map(([, word]) => word).join(", ")}. Its figures cannot be trusted; use another browser or input.` : "";
  }

  /** A port that every block comes out of, to be given away or listened to; any word sent to it ends that. */
  tap() {
    const { port1, port2 } = new MessageChannel();
    this.node.port.postMessage(port2, [port2]);
    return port1;
  }

  /** @param {() => void} told when the input goes away by itself */
  onEnd(told) {
    this.track.addEventListener("ended", told, { once: true });
  }

  async close() {
    for (const track of this.stream.getTracks()) track.stop();
    this.node.disconnect();
    if (this.context.state !== "closed") await this.context.close();
  }
}
