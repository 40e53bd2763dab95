// @ts-check
/**
 * Forms that lose nothing: sent by fetch, so that a bench that does not answer leaves what was typed where it
 * is; and what is being typed is kept in this browser until it has been taken.
 */

const KEPT = "typed:";
const DAYS = 14;

/** @param {HTMLFormElement} form */
const placeOf = (form) => `${KEPT}${new URL(form.action).pathname}`;

/** @param {HTMLFormElement} form */
function fieldsOf(form) {
  return /** @type {(HTMLInputElement|HTMLTextAreaElement|HTMLSelectElement)[]} */ (
    [...form.elements].filter(
      (field) =>
        (field instanceof HTMLInputElement && !["hidden", "file", "password", "submit"].includes(field.type)) ||
        field instanceof HTMLTextAreaElement ||
        field instanceof HTMLSelectElement,
    )
  ).filter((field) => field.name);
}

/** @param {HTMLFormElement} form */
function keep(form) {
  /** @type {Record<string, string>} */
  const values = {};
  for (const field of fieldsOf(form)) {
    if (field instanceof HTMLInputElement && (field.type === "checkbox" || field.type === "radio")) {
      if (field.checked !== field.defaultChecked) values[`${field.name}=${field.value}`] = field.checked ? "on" : "";
    } else if (field instanceof HTMLSelectElement) {
      const first = [...field.options].find((option) => option.defaultSelected)?.value ?? field.options[0]?.value;
      if (field.value !== first) values[field.name] = field.value;
    } else if (field.value !== field.defaultValue) values[field.name] = field.value;
  }
  try {
    if (Object.keys(values).length) localStorage.setItem(placeOf(form), JSON.stringify({ at: Date.now(), once: onceOf(form)?.value, values }));
    else localStorage.removeItem(placeOf(form));
  } catch {
    // Without storage what is typed still stands in the page.
  }
}

/** @param {HTMLFormElement} form */
const onceOf = (form) => /** @type {HTMLInputElement|null} */ (form.querySelector('input[name="once"]'));

/** @param {HTMLFormElement} form */
function bringBack(form) {
  let kept;
  try {
    kept = JSON.parse(localStorage.getItem(placeOf(form)) ?? "null");
  } catch {
    return;
  }
  if (!kept || Date.now() - kept.at > DAYS * 864e5) return;
  let any = false;
  for (const field of fieldsOf(form)) {
    if (field instanceof HTMLInputElement && (field.type === "checkbox" || field.type === "radio")) {
      const said = kept.values[`${field.name}=${field.value}`];
      if (said !== undefined) field.checked = said === "on";
    } else if (kept.values[field.name] !== undefined && field.value === (field instanceof HTMLSelectElement ? field.value : field.defaultValue)) {
      field.value = kept.values[field.name];
      any = true;
    }
  }
  const once = onceOf(form);
  // The same name as before: what was taken, unknown to this page, is not recorded twice.
  if (once && kept.once) once.value = kept.once;
  if (any) form.dispatchEvent(new CustomEvent("brought-back", { bubbles: true }));
}

/** @param {HTMLFormElement} form */
function forget(form) {
  try {
    localStorage.removeItem(placeOf(form));
  } catch {
    // There is nothing to forget.
  }
}

/**
 * @param {string} text
 * @param {boolean} trouble
 */
export function say(text, trouble = false) {
  const region = document.getElementById("said");
  if (!region) return;
  region.replaceChildren();
  if (!text) return;
  const line = document.createElement("p");
  line.textContent = text;
  if (trouble) line.className = "trouble";
  region.append(line);
}

/**
 * @param {HTMLFormElement} form
 * @param {string} text
 */
function complain(form, text) {
  let alert = /** @type {HTMLElement|null} */ (form.querySelector(":scope > .alert"));
  if (!alert) {
    alert = document.createElement("p");
    alert.className = "alert";
    alert.setAttribute("role", "alert");
    form.prepend(alert);
  }
  alert.textContent = text;
  alert.scrollIntoView({ block: "nearest" });
}

/** @param {HTMLFormElement} form */
const quieten = (form) => form.querySelector(":scope > .alert")?.remove();

/**
 * @param {string} where
 * @param {BodyInit} body
 */
async function post(where, body) {
  const answer = await fetch(where, { method: "POST", body, headers: { Accept: "text/html" } });
  return { ok: answer.ok, status: answer.status, url: answer.url, text: await answer.text() };
}

/**
 * Files take a while: how far they are is shown, and they can be stopped.
 * @param {HTMLFormElement} form
 * @param {FormData} data
 * @returns {Promise<{ok: boolean, status: number, url: string, text: string}>}
 */
function upload(form, data) {
  const request = new XMLHttpRequest();
  const shown = document.createElement("p");
  const bar = document.createElement("progress");
  bar.max = 1;
  bar.setAttribute("aria-label", "Sent so far");
  const stop = document.createElement("button");
  stop.type = "button";
  stop.textContent = "Stop sending";
  stop.addEventListener("click", () => request.abort());
  shown.className = "row";
  shown.append(bar, stop);
  form.append(shown);
  return new Promise((resolve, reject) => {
    request.upload.onprogress = (event) => {
      if (event.lengthComputable) bar.value = event.loaded / event.total;
    };
    request.onload = () => resolve({ ok: request.status >= 200 && request.status < 300, status: request.status, url: request.responseURL, text: request.responseText });
    request.onerror = request.onabort = () => reject(new Error("not sent"));
    request.onloadend = () => shown.remove();
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "text/html");
    request.send(data);
  });
}

/** @type {WeakSet<HTMLFormElement>} */
const sending = new WeakSet();

/**
 * @param {HTMLFormElement} form
 * @param {HTMLElement|null} button
 */
async function send(form, button) {
  if (sending.has(form)) return;
  sending.add(form);
  form.setAttribute("aria-busy", "true");
  quieten(form);
  const data = new FormData(form, button instanceof HTMLButtonElement && button.name ? button : undefined);
  const many = form.enctype === "multipart/form-data";
  try {
    const answer = many ? await upload(form, data) : await post(form.action, new URLSearchParams(/** @type {any} */ (data)));
    const html = new DOMParser().parseFromString(answer.text, "text/html");
    if (!answer.ok) {
      complain(form, html.querySelector("#problem")?.textContent?.trim() || `The bench answered ${answer.status}: nothing was recorded.`);
      return;
    }
    forget(form);
    if (!form.hasAttribute("data-stay")) {
      sayThere(html.querySelector("#said")?.textContent?.trim() ?? "");
      const there = new URL(answer.url);
      if (there.pathname === location.pathname && there.search === location.search) location.reload();
      else location.assign(there);
      return;
    }
    const fresh = /** @type {HTMLInputElement|null} */ (html.querySelector('input[name="once"]'));
    const once = onceOf(form);
    if (once && fresh) once.value = fresh.value;
    form.reset();
    say(html.querySelector("#said")?.textContent?.trim() ?? "");
    form.dispatchEvent(new CustomEvent("taken", { bubbles: true }));
  } catch {
    complain(form, "The bench does not answer. What you typed is kept here: send it again when the bench is back; it will be recorded once.");
  } finally {
    sending.delete(form);
    form.removeAttribute("aria-busy");
  }
}

/**
 * What the answer says was told to this page; the next one tells it to the person.
 * @param {string} text
 */
function sayThere(text) {
  try {
    if (text) sessionStorage.setItem("said", text);
  } catch {
    // Without storage the page itself shows what was done.
  }
}

try {
  const said = sessionStorage.getItem("said");
  sessionStorage.removeItem("said");
  if (said) say(said);
} catch {
  // As above.
}
document.documentElement.classList.add("scripted");
document.addEventListener("submit", (event) => {
  const form = /** @type {HTMLFormElement} */ (event.target);
  const submitter = /** @type {SubmitEvent} */ (event).submitter;
  if (form.method !== "post" || !form.hasAttribute("data-steady")) return;
  if (submitter?.getAttribute("formmethod") === "get") return; // only looks
  event.preventDefault();
  const question = submitter?.getAttribute("data-ask") ?? form.getAttribute("data-ask");
  if (question && !confirm(question)) return;
  send(form, submitter);
});
document.addEventListener("input", (event) => {
  const form = /** @type {HTMLInputElement} */ (event.target).form;
  if (form?.hasAttribute("data-steady")) keep(form);
});
for (const form of document.querySelectorAll("form[data-steady]")) bringBack(/** @type {HTMLFormElement} */ (form));
