// Makes figures tell a week in a sentence under the pointer. Without it they are pictures with words.
"use strict";

const SCRIPT = "/charts.js";
const NARROW = matchMedia("(max-width: 40rem)");
const DARK = matchMedia("(prefers-color-scheme: dark)");

const pointed = document.createElement("div");
pointed.className = "pointed";
pointed.hidden = true;
pointed.setAttribute("aria-hidden", "true"); // the same stands in the figure's words and tables
document.body.append(pointed);

function tell(_, event, __, value) {
  if (!value) {
    pointed.hidden = true;
    return;
  }
  pointed.textContent = String(value);
  pointed.hidden = false;
  const at = event.touches ? event.touches[0] : event;
  const left = Math.min(at.clientX + 14, innerWidth - pointed.offsetWidth - 8);
  const over = at.clientY - pointed.offsetHeight - 12;
  pointed.style.left = `${Math.max(8, left)}px`;
  pointed.style.top = `${over > 8 ? over : at.clientY + 18}px`;
}

let loading;
function drawer() {
  loading ??= new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = SCRIPT;
    script.onload = () => (window.vegaEmbed ? done(window.vegaEmbed) : failed(new Error("empty")));
    script.onerror = () => failed(new Error("not loaded"));
    document.head.append(script);
  });
  return loading;
}

const look = () => (NARROW.matches ? "narrow" : "wide") + (DARK.matches ? "-dark" : "");

async function enliven(figure) {
  const wanted = look();
  if (figure.dataset.look === wanted) return;
  figure.dataset.look = wanted;
  try {
    const reply = await fetch(`${figure.dataset.live}.${wanted}.json`);
    if (!reply.ok) return;
    const [embed, spec] = await Promise.all([drawer(), reply.json()]);
    const place = document.createElement("div");
    const words = spec.description;
    delete spec.description; // said once, by the place itself
    await embed(place, spec, {
      mode: "vega",
      renderer: "svg",
      ast: true, // expressions are interpreted: nothing is made into code
      actions: false,
      defaultStyle: false,
      tooltip: tell,
      logLevel: 1, // errors; the joined time axis of charts is told as a warning
    });
    if (figure.dataset.look !== wanted) return; // turned meanwhile, another is on its way
    place.className = "live";
    place.setAttribute("role", "img");
    place.setAttribute("aria-label", words);
    place.querySelector("svg")?.setAttribute("aria-hidden", "true"); // its parts have no words of their own
    figure.querySelector(".live")?.remove();
    figure.querySelector("picture").after(place);
    figure.classList.add("is-live");
  } catch {
    figure.classList.remove("is-live"); // the picture says the same
  }
}

const figures = document.querySelectorAll("figure[data-live]");
if (figures.length && "IntersectionObserver" in window) {
  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      seen.unobserve(entry.target);
      enliven(entry.target);
    }
  }, { rootMargin: "200px" });
  for (const figure of figures) seen.observe(figure);
  for (const change of [NARROW, DARK]) {
    change.addEventListener("change", () => {
      for (const figure of document.querySelectorAll("figure[data-look]")) enliven(figure);
    });
  }
}
