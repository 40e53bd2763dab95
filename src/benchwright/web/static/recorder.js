// @ts-check
/**
 * Records the sound input into a WAV file and sends it to a job.
 *
 * Any element can hold a recorder; what stands in it is for browsers without scripting and goes away:
 *
 *   <section data-recorder data-to="/jobs/14/tape/takes" data-most="268435456"></section>
 *
 * `data-to` is the address that takes the file (field `take`, with `once`); without it the person names the job,
 * with help of the list whose id is `data-jobs`. `data-most` is the most bytes of a form. After a take was
 * recorded in the job's page, the event `taken` rises from the element. Link recorder.css as well.
 */

import { say } from "/static/forms.js";
import { LineIn, NoSound, fillInputs, keepInput } from "/static/line-in.js";
import { Kept } from "/static/recorder-kept.js";
import { HEADER_BYTES, bytesPerSecond, clock, megabytes, nameFor, samplesOf } from "/static/recorder-wav.js";

/** @typedef {import("./recorder-kept.js").Take} Take */

const PIECE_S = 1;
const SHOWN_S = 0.25;
const SHORT_MINUTES = 60;
const FORM_BYTES = 64 * 1024;
const USUAL_RATE = 48000;
const USUAL_MOST = 256 * 1024 * 1024;

/**
 * @template {keyof HTMLElementTagNameMap} Name
 * @param {Name} name
 * @param {Record<string, string>} [attributes]
 * @param {(Node|string)[]} inside
 * @returns {HTMLElementTagNameMap[Name]}
 */
function make(name, attributes = {}, ...inside) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...inside);
  return made;
}

let numbered = 0;

/**
 * A field with its label.
 * @param {string} text
 * @param {HTMLElement} control
 */
function field(text, control) {
  control.id = `recorder-${++numbered}`;
  return make("div", { class: "field" }, make("label", { for: control.id }, text), control);
}

class Recorder {
  /**
   * @param {HTMLElement} place
   * @param {Kept} kept
   */
  constructor(place, kept) {
    this.place = place;
    this.kept = kept;
    this.most = Number(place.dataset.most) || USUAL_MOST;
    /** @type {LineIn|null} */
    this.input = null;
    /** @type {Take|null} */
    this.take = null;
    /** @type {Map<string, XMLHttpRequest>} */
    this.sending = new Map();
    /** @type {Uint8Array[]} samples that were not written down yet */
    this.pending = [];
    /** @type {Promise<unknown>} */
    this.writing = Promise.resolve();
    this.name = "";
    /** Which file of the recording this is, and the seconds in those before it. */
    this.part = this.before = 0;
    this.frames = this.pendingFrames = this.shown = this.peak = 0;

    this.inputs = make("select");
    this.inputs.addEventListener("change", () => keepInput(this.inputs));
    this.channels = make("select", {}, new Option("Both channels", "both"), new Option("Left only", "left"), new Option("Right only", "right"));
    this.bits = make("select", {}, new Option("16 bit", "16"), new Option("24 bit", "24"));
    this.start = make("button", { type: "button", class: "main" }, "Record");
    this.stop = make("button", { type: "button", class: "main", hidden: "" }, "Stop recording");
    this.trouble = make("p", { class: "alert", role: "alert" });
    this.room = make("p", { class: "hint" });
    this.time = make("strong", {}, "0:00");
    this.size = make("span");
    this.level = make("meter", { min: "-60", max: "0", low: "-30", high: "-3", optimum: "-12", "aria-label": "Level in dB of full scale" });
    this.loud = make("span", { class: "number" });
    this.running = make("div", { class: "recording", hidden: "" }, make("p", { class: "recording-time number" }, make("span", { class: "recording-sign", "aria-hidden": "true" }), "Recording ", this.time, " ", this.size), this.level, this.loud);
    this.settings = make("div", { class: "fields" }, ...(document.querySelector("[data-line-in]") ? [] : [field("Sound input", this.inputs)]), field("Channels", this.channels), field("Sample size", this.bits));
    this.list = make("ul", { class: "plain takes" });
    this.heading = make("h3", { hidden: "" }, "Not sent yet");
    place.replaceChildren(this.trouble, this.settings, this.room, make("div", { class: "row" }, this.start, this.stop), this.running, this.heading, this.list);

    this.start.addEventListener("click", () => this.#record());
    this.stop.addEventListener("click", () => this.#stop());
    for (const select of [this.channels, this.bits]) select.addEventListener("change", () => this.#tellRoom());
    addEventListener("beforeunload", (event) => {
      if (this.take || this.sending.size || this.kept.memory.size) event.preventDefault();
    });
    this.#tellRoom();
    fillInputs(this.inputs);
    this.#show();
  }

  /** How many bytes of samples may be sent at once. */
  get limit() {
    return this.most - FORM_BYTES - HEADER_BYTES;
  }

  /** @param {number} rate */
  #format(rate) {
    const bits = /** @type {16|24} */ (Number(this.bits.value));
    return { rate, bits, channels: this.channels.value === "both" ? 2 : 1 };
  }

  #tellRoom() {
    const minutes = (/** @type {import("./recorder-wav.js").Format} */ format) => Math.floor(this.limit / bytesPerSecond(format) / 60);
    const format = this.#format(this.input?.rate ?? USUAL_RATE);
    const smallest = minutes({ ...format, channels: 1, bits: 16 });
    const more = smallest > minutes(format) ? `, ${smallest} with one channel at 16 bit` : "";
    this.room.textContent = `One file holds ${minutes(format)} minutes${more}. What is longer goes on in the next file, without a gap.`;
  }

  /** @param {string} text */
  #complain(text) {
    this.trouble.textContent = text;
  }

  async #record() {
    this.#complain("");
    this.start.disabled = true;
    try {
      this.input = await LineIn.open();
    } catch (problem) {
      this.#complain(problem instanceof NoSound ? problem.message : String(problem));
      this.start.disabled = false;
      return;
    }
    const input = this.input;
    if (input.altered) this.#complain(input.altered);
    fillInputs(this.inputs);
    await navigator.storage?.persist?.().catch(() => false);
    const now = new Date();
    this.name = nameFor(now);
    this.part = this.before = 0;
    this.peak = 0;
    this.#begin(now.getTime(), this.#format(input.rate));
    this.#tellSpace();
    this.port = input.tap();
    this.port.onmessage = ({ data }) => this.#heard(data);
    input.onEnd(() => this.#stop("The sound input went away. What was recorded until then is kept."));
    this.#running(true);
    this.start.disabled = false;
    this.stop.focus();
  }

  /**
   * @param {number} at
   * @param {import("./recorder-wav.js").Format} format
   */
  #begin(at, format) {
    const { rate, channels, bits } = format;
    this.part++;
    const name = this.part > 1 ? this.name.replace(/\.wav$/, `-part-${this.part}.wav`) : this.name;
    /** @type {Take} */
    const take = { id: crypto.randomUUID().replaceAll("-", ""), name, at, rate, channels, bits, bytes: 0, pieces: 0, touched: 0, whole: false };
    this.take = take;
    /** @type {Uint8Array[]} */
    this.pending = [];
    this.frames = this.pendingFrames = this.shown = 0;
    this.writing = this.writing.then(() => this.kept.write(take));
  }

  /** The file is full: the next sample is the first of another. */
  #goOn() {
    const { take } = this;
    if (!take) return;
    this.#put();
    this.before += this.frames / take.rate;
    this.writing = this.writing.then(() => this.kept.write(Object.assign(take, { whole: true })));
    this.#begin(Date.now(), take);
  }

  async #tellSpace() {
    const { quota = Infinity, usage = 0 } = (await navigator.storage?.estimate?.().catch(() => null)) ?? {};
    const { take } = this;
    if (!take) return;
    const minutes = Math.floor((quota - usage) / bytesPerSecond(take) / 60);
    if (minutes < SHORT_MINUTES) this.#complain(`There is room for ${minutes} more minutes in this browser: send or throw away older takes, or make room on the disk.`);
  }

  /** @param {boolean} on */
  #running(on) {
    this.start.hidden = on;
    this.stop.hidden = this.running.hidden = !on;
    for (const select of [this.inputs, this.channels, this.bits]) select.disabled = on;
  }

  /** @param {Float32Array[]} blocks */
  #heard(blocks) {
    let { take } = this;
    if (!take) return;
    if (this.frames === 0 && blocks.length < take.channels) take.channels = blocks.length; // the input has one
    const chosen = take.channels === 2 ? blocks.slice(0, 2) : [(this.channels.value === "right" && blocks[1]) || blocks[0]];
    while (chosen.length < take.channels) chosen.push(chosen[0]); // an input that lost a channel on its way
    if (((this.frames + chosen[0].length) * take.channels * take.bits) / 8 > this.limit) {
      this.#goOn();
      take = /** @type {Take} */ (this.take);
    }
    this.pending.push(samplesOf(chosen, take.bits));
    this.frames += chosen[0].length;
    this.pendingFrames += chosen[0].length;
    for (const block of chosen) for (const value of block) this.peak = Math.max(this.peak, Math.abs(value));
    if (this.frames - this.shown >= SHOWN_S * take.rate) this.#tellState(take);
    if (this.pendingFrames >= PIECE_S * take.rate) this.#put();
  }

  #put() {
    const { take } = this;
    if (!take || !this.pending.length) return;
    const piece = new Blob(/** @type {BlobPart[]} */ (this.pending));
    this.pending = [];
    this.pendingFrames = 0;
    this.writing = this.writing.then(() => this.kept.write(take, piece));
  }

  /** @param {Take} take */
  #tellState(take) {
    this.shown = this.frames;
    const seconds = this.before + this.frames / take.rate;
    this.time.textContent = clock(seconds);
    this.size.textContent = megabytes(seconds * bytesPerSecond(take));
    const peak = 20 * Math.log10(Math.max(this.peak, 1e-5));
    this.level.value = peak;
    this.loud.textContent = `peak ${peak.toFixed(1).replace("-", "−")} dB${this.peak > 0.999 ? ": overload, turn it down" : peak < -45 ? ": hardly anything" : ""}`;
    this.peak = 0;
  }

  /** @param {string} [why] */
  async #stop(why) {
    const { take, input } = this;
    if (!take || !input) return;
    this.#put();
    this.take = null;
    this.input = null;
    this.port?.postMessage("enough");
    this.port?.close();
    await Promise.all([input.close(), this.writing]);
    this.#running(false);
    this.time.textContent = "0:00";
    this.size.textContent = this.loud.textContent = "";
    if (why) this.#complain(why);
    if (!take.bytes) {
      await this.kept.remove(take);
      if (this.part === 1) this.#complain("Nothing came in: no take was made.");
    } else {
      take.whole = true;
      await this.kept.write(take);
    }
    await this.#show();
    const first = /** @type {HTMLElement|null} */ (this.list.querySelector(".send"));
    (first ?? this.start).focus();
  }

  /** Every take that was not sent yet. */
  async #show() {
    const takes = (await this.kept.all()).filter((one) => one.id !== this.take?.id && one.bytes > 0 && (one.whole || Date.now() - one.touched > 10_000));
    this.heading.hidden = !takes.length;
    const there = new Map([...this.list.children].map((one) => [/** @type {HTMLElement} */ (one).dataset.take, one]));
    this.list.replaceChildren(...takes.map((take) => there.get(take.id) ?? this.#row(take)));
  }

  /** @param {Take} take */
  #row(take) {
    const seconds = take.bytes / bytesPerSecond(take);
    const name = make("input", { value: take.name.replace(/\.wav$/, ""), maxlength: "80", autocomplete: "off" });
    name.addEventListener("change", () => {
      const plain = name.value.trim().replace(/[^\w .-]+/g, "-").replace(/^[. ]+/, "");
      take.name = `${plain || "take"}.wav`;
      name.value = plain || "take";
      this.kept.write(take);
    });
    const job = this.place.dataset.to ? null : make("input", { maxlength: "300", autocomplete: "off", placeholder: "Number", ...(this.place.dataset.jobs ? { list: this.place.dataset.jobs } : {}) });
    if (job) job.value = this.place.dataset.job ?? "";
    const send = make("button", { type: "button", class: "main send" }, "Send to the job");
    const listen = make("button", { type: "button" }, "Listen");
    const save = make("button", { type: "button" }, "Save as a file");
    const drop = make("button", { type: "button", class: "risk" }, "Throw away");
    const state = make("p", { class: "take-state", role: "status" });
    const about = `${clock(seconds)}, ${take.channels === 2 ? "stereo" : "one channel"}, ${take.bits} bit at ${take.rate} per second, ${megabytes(take.bytes)}`;
    const broken = take.whole ? "" : " The page was closed while it was recorded; this is what was kept.";
    const lost = this.kept.lasts(take) ? " Kept in this browser until it is sent." : " This browser keeps it only while this page is open: send it, or save it as a file.";
    const row = make(
      "li", { class: "card take" },
      make("p", {}, make("span", { class: "number" }, about), `.${broken}${lost}`),
      make("div", { class: "fields" }, field("Name", name), ...(job ? [field("Which job?", job)] : [])),
      make("div", { class: "row" }, send, listen, save, drop),
      state,
    );
    row.dataset.take = take.id;
    listen.addEventListener("click", async () => {
      if (!(await this.#stillThere(take))) return;
      const player = make("audio", { controls: "", src: URL.createObjectURL(await this.kept.file(take)) });
      listen.replaceWith(player);
      player.play().catch(() => undefined);
    });
    save.addEventListener("click", async () => {
      if (!(await this.#stillThere(take))) return;
      const address = URL.createObjectURL(await this.kept.file(take));
      const link = make("a", { href: address, download: take.name });
      link.click();
      setTimeout(() => URL.revokeObjectURL(address), 60_000);
    });
    drop.addEventListener("click", async () => {
      if (!confirm(`Throw away ${take.name}, ${clock(seconds)}? It was not sent.`)) return;
      await this.kept.remove(take);
      await this.#show();
    });
    send.addEventListener("click", () => {
      const running = this.sending.get(take.id);
      if (running) return running.abort();
      const to = this.place.dataset.to ?? addressFor(job?.value ?? "");
      if (!to) {
        state.textContent = "Say which job it belongs to: its number, such as 14.";
        job?.focus();
      } else this.#send(take, to, row, send, state);
    });
    return row;
  }

  /**
   * Another tab, or another recorder of this page, may have sent it.
   * @param {Take} take
   */
  async #stillThere(take) {
    const there = (await this.kept.all()).some((one) => one.id === take.id);
    if (!there) {
      await this.#show();
      this.#complain(`${take.name} was sent or thrown away in another place.`);
    }
    return there;
  }

  /**
   * @param {Take} take
   * @param {string} to
   * @param {HTMLElement} row
   * @param {HTMLButtonElement} button
   * @param {HTMLElement} state
   */
  async #send(take, to, row, button, state) {
    if (!(await this.#stillThere(take))) return;
    const bar = make("progress", { max: "1", value: "0", "aria-label": `Sent of ${take.name}` });
    const request = new XMLHttpRequest();
    this.sending.set(take.id, request);
    const form = new FormData();
    form.append("once", take.id);
    form.append("take", await this.kept.file(take), take.name);
    button.textContent = "Stop sending";
    state.textContent = "Sending …";
    state.after(bar);
    request.upload.onprogress = (event) => {
      bar.value = event.loaded / event.total;
    };
    /** @param {string} text */
    const failed = (text) => {
      state.textContent = `${text} The take is still here: send it again, or save it as a file.`;
    };
    request.onload = async () => {
      const answer = new DOMParser().parseFromString(request.responseText, "text/html");
      if (request.status >= 400) return failed(answer.querySelector("#problem")?.textContent?.trim() || `The bench answered ${request.status}: nothing was recorded.`);
      await this.kept.remove(take);
      row.remove();
      this.heading.hidden = !this.list.children.length;
      say(answer.querySelector("#said")?.textContent?.trim() || `Sent: ${take.name}.`);
      const page = new URL(request.responseURL || to, location.href).pathname;
      if (!this.place.dataset.to) this.#leadTo(page, take.name);
      this.place.dispatchEvent(new CustomEvent("taken", { bubbles: true, detail: { take: take.name, page } }));
    };
    request.onerror = () => failed("The bench does not answer.");
    request.onabort = () => failed("Sending was stopped.");
    request.onloadend = () => {
      this.sending.delete(take.id);
      bar.remove();
      button.textContent = "Send to the job";
    };
    request.open("POST", to);
    request.setRequestHeader("Accept", "text/html");
    request.send(form);
  }

  /**
   * Lead to the page that a take went to.
   * @param {string} page
   * @param {string} name
   */
  #leadTo(page, name) {
    const link = make("a", { href: page }, `Look at ${name} in its job`);
    this.list.before(make("p", { class: "sent" }, link));
  }
}

/** @param {string} typed */
function addressFor(typed) {
  const number = /^\s*(\d{1,9})\b/.exec(typed)?.[1];
  return number ? `/jobs/${number}/tape/takes` : "";
}

/** Make a recorder in every element that asks for one. */
export async function equip() {
  const places = document.querySelectorAll("[data-recorder]:not([data-equipped])");
  for (const place of places) place.setAttribute("data-equipped", "");
  if (!places.length) return;
  const kept = await Kept.open();
  for (const place of places) new Recorder(/** @type {HTMLElement} */ (place), kept);
}

equip();
