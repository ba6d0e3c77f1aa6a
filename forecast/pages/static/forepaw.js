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

// a menu that is scrolled sideways begins where one is
for (const here of document.querySelectorAll(".top nav [aria-current]")) {
  const menu = here.closest("nav");
  menu.scrollLeft = here.offsetLeft - menu.offsetLeft - (menu.clientWidth - here.offsetWidth) / 2;
}
