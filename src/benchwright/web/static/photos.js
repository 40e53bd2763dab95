// @ts-check
/** A photo goes to the job as soon as it is taken or chosen. */
const form = /** @type {HTMLFormElement|null} */ (document.getElementById("add"));
form?.addEventListener("change", (event) => {
  const input = /** @type {HTMLInputElement} */ (event.target);
  if (input.type !== "file" || !input.files?.length) return;
  form.querySelector(".send")?.classList.add("ready"); // to send it again, should the bench not answer
  form.requestSubmit();
});
