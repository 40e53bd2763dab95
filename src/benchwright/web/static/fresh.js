// @ts-check
/** Parts of a job's page that follow the records: fetched anew when the job changes; what is being typed stays. */

const job = document.querySelector("[data-job]")?.getAttribute("data-job");
let waiting = 0;

async function freshen() {
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const old of document.querySelectorAll("[data-fresh]")) {
      const now = page.getElementById(old.id);
      if (!now || now.innerHTML === old.innerHTML || old.contains(document.activeElement)) continue;
      old.replaceChildren(...now.childNodes);
    }
  } catch {
    // The bench does not answer: what stands here stays, and is fetched when it is back.
  }
}

const soon = () => {
  clearTimeout(waiting);
  waiting = setTimeout(freshen, 150);
};
document.body.addEventListener(`job-${job}-changed`, soon);
document.body.addEventListener("back-again", soon);
