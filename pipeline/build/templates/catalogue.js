"use strict";
/* The catalogue's search, filters and order. What is searched is in the page as data, one item
   for each row of the table: text, facets (name -> values) and sort (column -> value). */
const Catalogue = {
  /* Letters without accents and signs as they are typed: "F♯ Crépuscule" -> "f# crepuscule". */
  fold(text) {
    return text
      .normalize("NFKD")
      .replace(/\p{M}/gu, "")
      .replace(/♯/g, "#")
      .replace(/♭/g, "b")
      .replace(/[‘’]/g, "'")
      .toLowerCase();
  },

  words(typed) {
    return Catalogue.fold(typed).split(/\s+/).filter(Boolean);
  },

  /* Whether an item has every word, and the wanted value of every facet ("" wants none). */
  holds(item, words, wanted) {
    if (item.folded === undefined) item.folded = Catalogue.fold(item.text);
    return (
      words.every((word) => item.folded.includes(word)) &&
      Object.entries(wanted).every(([facet, value]) => !value || item.facets[facet].includes(value))
    );
  },

  empty(value) {
    return value === null || value === "";
  },

  /* Numbers as numbers, texts as readers sort them; what is not known comes last either way. */
  compare(one, other, downwards) {
    const lacking = Catalogue.empty(one) - Catalogue.empty(other);
    if (lacking || Catalogue.empty(one)) return lacking;
    const order =
      typeof one === "number" && typeof other === "number"
        ? one - other
        : String(one).localeCompare(String(other), undefined, { numeric: true, sensitivity: "base" });
    return downwards ? -order : order;
  },

  /* Places of the items in order of a column; equal ones stay as they are. */
  order(items, column, downwards) {
    const places = items.map((_, place) => place);
    return places.sort(
      (a, b) => Catalogue.compare(items[a].sort[column], items[b].sort[column], downwards) || a - b,
    );
  },

  counted(shown, all) {
    const lessons = all === 1 ? "1 lesson" : `${all} lessons`;
    return shown === all ? lessons : `${shown} of ${lessons}`;
  },

  start(page) {
    const items = JSON.parse(page.getElementById("lessons").textContent);
    const body = page.querySelector("tbody");
    const rows = Array.from(body.rows);
    const form = page.querySelector("form");
    const typed = form.querySelector("input");
    const choices = Array.from(form.querySelectorAll("select"));
    const count = page.getElementById("count");
    const nothing = page.getElementById("nothing");
    const all = page.getElementById("all");
    const table = page.querySelector(".lessons");

    const narrow = () => {
      const words = Catalogue.words(typed.value);
      const wanted = Object.fromEntries(choices.map((choice) => [choice.name, choice.value]));
      let shown = 0;
      items.forEach((item, place) => {
        const there = Catalogue.holds(item, words, wanted);
        rows[place].hidden = !there;
        shown += there;
      });
      count.textContent = Catalogue.counted(shown, items.length);
      nothing.hidden = shown > 0;
      table.hidden = shown === 0;
      choices.forEach((choice) => choice.classList.toggle("chosen", choice.value !== ""));
      all.hidden = words.length === 0 && choices.every((choice) => choice.value === "");
    };

    const heads = Array.from(page.querySelectorAll("th[data-column]"));
    const sortBy = (head) => {
      const before = head.getAttribute("aria-sort");
      const first = head.dataset.first; // the way a column is wanted first
      const way = before === "none" ? first : before === "ascending" ? "descending" : "ascending";
      heads.forEach((other) => other.setAttribute("aria-sort", other === head ? way : "none"));
      const sorted = Catalogue.order(items, head.dataset.column, way === "descending");
      body.append(...sorted.map((place) => rows[place]));
    };
    heads.forEach((head) => {
      const button = page.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      button.addEventListener("click", () => sortBy(head));
      head.append(button);
    });

    form.hidden = false;
    form.addEventListener("input", narrow);
    form.addEventListener("submit", (event) => event.preventDefault());
    form.addEventListener("reset", () => {
      typed.focus(); // the button goes away
      setTimeout(narrow); // once the form is empty
    });
    // the browser fills the form in again when one comes back to the page
    window.addEventListener("pageshow", narrow);
    narrow();
  },
};
if (typeof document !== "undefined") Catalogue.start(document);
