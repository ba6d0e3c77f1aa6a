// Answers by letters, while the answers have the focus: letters typed elsewhere do nothing.
"use strict";

const verdict = document.getElementById("verdict");
if (verdict) {
  verdict.focus({ preventScroll: true });
  verdict.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    const button = verdict.querySelector(`button[data-key="${CSS.escape(event.key.toLowerCase())}"]`);
    if (button) {
      event.preventDefault();
      button.click();
    } else if (event.key === "Backspace") {
      const undo = document.querySelector("#undo button");
      if (undo) {
        event.preventDefault();
        undo.click();
      }
    }
  });
}
