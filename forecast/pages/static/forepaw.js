// Adds life to pages that work without it: progress that moves without a reload.
"use strict";

const EVERY = 2000; // milliseconds between two looks at what is under way

async function look(part) {
  try {
    const reply = await fetch(part.dataset.watch, { headers: { accept: "text/html" } });
    const text = reply.ok ? await reply.text() : "";
    const fresh = new DOMParser().parseFromString(text, "text/html").getElementById(part.id);
    if (fresh) part.replaceWith(document.importNode(fresh, true));
    else delete part.dataset.watched; // signed out, or a fault: the next look may reach it
  } catch {
    delete part.dataset.watched;
  }
  watch();
}

function watch() {
  for (const part of document.querySelectorAll("[data-watch]")) {
    if (part.dataset.going === "yes" && !part.dataset.watched) {
      part.dataset.watched = "yes";
      setTimeout(() => look(part), EVERY);
    }
  }
}

watch();

// who presses twice sends once; a form that gives a file may be sent again after a while
const AGAIN = 5000; // milliseconds
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent) return event.preventDefault();
  form.dataset.sent = "yes";
  setTimeout(() => delete form.dataset.sent, AGAIN);
});
addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
});

// a menu that is scrolled sideways begins where one is
for (const here of document.querySelectorAll(".top nav [aria-current]")) {
  const menu = here.closest("nav");
  menu.scrollLeft = here.offsetLeft - menu.offsetLeft - (menu.clientWidth - here.offsetWidth) / 2;
}
