// The keyboard belongs to the bench as soon as the page is there, and after a click beside it.
window.addEventListener("load", () => {
  const focus = () => document.querySelector(".xterm-helper-textarea")?.focus();
  focus();
  window.addEventListener("focus", focus);
  document.addEventListener("click", focus);
});
