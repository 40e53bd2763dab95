// @ts-check
/** The number pad below the line: writes the reading of the check on the card, so that a thumb is enough. */

const entry = /** @type {HTMLFormElement|null} */ (document.getElementById("entry"));
const line = /** @type {HTMLInputElement|null} */ (document.getElementById("line"));
const numbers = /** @type {HTMLElement|null} */ (entry?.querySelector(".pad.numbers") ?? null);
const words = /** @type {HTMLElement|null} */ (entry?.querySelector(".pad.words") ?? null);
const thumbs = matchMedia("(pointer: coarse), (max-width: 46rem)");

/**
 * What a line becomes when a key is pressed.
 * @param {string} text what stands on the line
 * @param {string} prefix what a reading of the check begins with
 * @param {string} key
 */
export function pressed(text, prefix, key) {
  if (key === "⌫") return text.trim() === prefix ? "" : text.slice(0, -1);
  const head = text.trim() === "" ? `${prefix} ` : text;
  const at = head.lastIndexOf(" ") + 1;
  const before = head.slice(0, at);
  const value = head.slice(at);
  if (key === "OL" || key.includes("beep")) return `${before}${key}`;
  if (key === "-") return value.startsWith("-") ? before + value.slice(1) : `${before}-${value}`;
  if (/^[A-Za-z]+$/.test(key)) return `${before}${value.replace(/[A-Za-z]+$/, "")}${key}`;
  return `${head}${key}`;
}

/**
 * @param {HTMLElement} pad
 * @param {[string, string, string?][]} keys what each says, writes, and is called
 */
function fill(pad, keys) {
  pad.replaceChildren(
    ...keys.map(([said, written, name]) => {
      const key = document.createElement("button");
      key.type = "button";
      key.textContent = said;
      key.dataset.key = written;
      if (name) key.setAttribute("aria-label", name);
      if (/^[^\d.⌫]/.test(said)) key.className = "unit";
      return key;
    }),
  );
}

/**
 * @param {HTMLElement} pad
 * @param {boolean} is whether this is the pad for what is asked
 */
const ready = (pad, is) => pad.classList.toggle("ready", is);
const fold = /** @type {HTMLButtonElement|null} */ (entry?.querySelector(".keys-shown") ?? null);

/** @param {boolean} open */
function unfold(open) {
  for (const pad of [numbers, words]) pad?.classList.toggle("open", open && pad.classList.contains("ready"));
  fold?.setAttribute("aria-expanded", String(open));
}
fold?.addEventListener("click", () => unfold(fold.getAttribute("aria-expanded") !== "true"));

let shown = "";
function lay() {
  if (!numbers || !words) return;
  const card = document.getElementById("card");
  const said = `${card?.dataset.due}/${card?.dataset.prefix}/${card?.dataset.words}/${card?.dataset.units}/${thumbs.matches}`;
  if (said === shown) return;
  shown = said;
  const seen = (card?.dataset.words ?? "").split("|").filter(Boolean);
  const units = (card?.dataset.units ?? "Ω=R|kΩ=k|V=V|over limit=OL").split("|").filter(Boolean);
  ready(words, seen.length > 0);
  fill(words, seen.map((word) => [word, word]));
  ready(numbers, seen.length === 0 && thumbs.matches);
  unfold(card?.dataset.due !== "mend" && Boolean(card?.dataset.prefix));
  /** @type {[string, string, string?][]} */
  const unitKeys = units.map((unit) => {
    const at = unit.indexOf("=");
    return [unit.slice(0, at), unit.slice(at + 1)];
  });
  /** @type {[string, string, string?][]} */
  const rows = [];
  const digits = ["789", "456", "123"];
  digits.forEach((row, n) => {
    for (const digit of row) rows.push([digit, digit]);
    rows.push(unitKeys[n] ?? ["⌫", "⌫", "Delete the last sign"]);
  });
  rows.push(["0", "0"], [".", ".", "Decimal point"], ["⌫", "⌫", "Delete the last sign"]);
  rows.push(...unitKeys.slice(3, 4));
  fill(numbers, rows);
}

entry?.addEventListener("click", (event) => {
  const key = /** @type {HTMLElement} */ (event.target).closest?.("[data-key]");
  if (!(key instanceof HTMLElement) || !line) return;
  const prefix = document.getElementById("card")?.dataset.prefix ?? "";
  if (key.closest(".words")) line.value = `${prefix} ${key.dataset.key}`;
  else line.value = pressed(line.value, prefix, key.dataset.key ?? "");
  line.dispatchEvent(new Event("input", { bubbles: true }));
});
thumbs.addEventListener("change", lay);
const next = document.getElementById("next");
if (next) new MutationObserver(lay).observe(next, { childList: true, subtree: true, attributes: true, attributeFilter: ["data-due", "data-prefix", "data-words", "data-units"] });
lay();
