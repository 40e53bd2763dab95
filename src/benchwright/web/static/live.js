// @ts-check
/**
 * What changed on the bench, told by the server: each word becomes an event on the page's body, such as
 * `job-3-changed`. One stream for a page that is seen; a hidden page lets go of its own.
 */

/** @type {EventSource|null} */
let stream = null;
let away = false;

/** @param {string} what */
const tell = (what) => document.body.dispatchEvent(new CustomEvent(what, { bubbles: true }));

function listen() {
  if (stream) return;
  stream = new EventSource("/changes");
  stream.onmessage = (event) => {
    if (event.data === "hello") {
      if (away) tell("back-again");
      away = false;
      document.documentElement.removeAttribute("data-away");
    } else tell(event.data);
  };
  stream.onerror = () => {
    away = true;
    document.documentElement.setAttribute("data-away", "");
    if (stream?.readyState === EventSource.CLOSED) {
      stream = null;
      setTimeout(() => document.visibilityState === "visible" && listen(), 3000);
    }
  };
}

function stop() {
  stream?.close();
  stream = null;
}

document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible") {
    away = true; // whatever happened meanwhile is looked up
    listen();
  } else stop();
});
addEventListener("pagehide", stop);
if (document.visibilityState === "visible") listen();

// A form that stays on its page has changed its job: no need to wait for the stream.
document.addEventListener("taken", () => tell("back-again"));
