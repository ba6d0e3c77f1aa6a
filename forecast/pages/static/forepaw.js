// Adds life to pages that work without it: progress that moves without a reload.
"use strict";

const EVERY = 2000; // milliseconds between two looks at what is under way

async function look(part) {
  try {
    const reply = await fetch(part.dataset.watch, { headers: { accept: "text/html" } });
    const text = reply.ok ? await reply.text() : "";
    const page = new DOMParser().parseFromString(text, "text/html");
    const fresh = page.getElementById(part.id);
    if (fresh && part.dataset.answers) {
      document.querySelector("h1").textContent = page.querySelector("h1").textContent;
    }
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
let sent = new WeakMap(); // forms, with the button by which each was sent
document.addEventListener("submit", (event) => {
  const { target: form, submitter } = event;
  if (sent.has(form) && sent.get(form) === submitter) return event.preventDefault();
  sent.set(form, submitter);
  setTimeout(() => sent.delete(form), AGAIN);
});
addEventListener("pageshow", () => {
  sent = new WeakMap(); // also where one came back to the page
});

// a menu that is scrolled sideways begins where one is
for (const here of document.querySelectorAll(".top nav [aria-current]")) {
  const menu = here.closest("nav");
  menu.scrollLeft = here.offsetLeft - menu.offsetLeft - (menu.clientWidth - here.offsetWidth) / 2;
}
