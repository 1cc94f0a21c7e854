// The search of the guide: which sections hold all the words, and the place of the first of them.
(() => {
  const MOST = 40, AROUND = 60;
  const field = document.getElementById("words"), count = document.getElementById("count");
  const found = document.getElementById("found"), contents = document.getElementById("contents");
  // A section reaches from its heading to the next one.
  const parts = [];
  for (const section of document.querySelectorAll("section")) {
    for (const element of section.children) {
      if (/^H[2-4]$/.test(element.tagName)) parts.push({ heading: element, chapter: section.children[0].textContent, text: "" });
      else parts.at(-1).text += " " + element.textContent.replace(/\s+/g, " ");
    }
  }

  function marked(text, words) {
    const low = text.toLowerCase(), place = Math.max(0, Math.min(...words.map((word) => low.indexOf(word)).filter((at) => at >= 0)));
    const from = Number.isFinite(place) ? Math.max(0, place - AROUND) : 0;
    const said = document.createElement("p"), piece = text.slice(from, from + 3 * AROUND);
    let at = 0;
    said.append(from ? "…" : "");
    while (at < piece.length) {
      const rest = piece.toLowerCase(), next = words.map((word) => [rest.indexOf(word, at), word.length]).filter(([k]) => k >= 0).sort((a, b) => a[0] - b[0] || b[1] - a[1])[0];
      if (!next) break;
      const mark = document.createElement("mark");
      mark.textContent = piece.slice(next[0], next[0] + next[1]);
      said.append(piece.slice(at, next[0]), mark);
      at = next[0] + next[1];
    }
    said.append(piece.slice(at), from + piece.length < text.length ? "…" : "");
    return said;
  }

  function search() {
    const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
    const hits = words.length ? parts.filter((part) => {
      const all = `${part.chapter} ${part.heading.textContent} ${part.text}`.toLowerCase();
      return words.every((word) => all.includes(word));
    }) : [];
    // What has a word in its heading comes first; else the order of reading stays.
    const titled = (part) => words.some((word) => part.heading.textContent.toLowerCase().includes(word));
    hits.sort((a, b) => titled(b) - titled(a));
    contents.hidden = words.length > 0;
    found.hidden = !words.length;
    found.replaceChildren(...hits.slice(0, MOST).map((part) => {
      const item = document.createElement("li"), link = document.createElement("a");
      link.href = "#" + part.heading.id;
      link.textContent = part.heading.tagName === "H2" ? part.chapter : `${part.chapter}: ${part.heading.textContent}`;
      item.append(link, marked(part.text, words));
      return item;
    }));
    count.textContent = !words.length ? "" : !hits.length ? "No section has all of these words." : hits.length === 1 ? "1 section" : `${hits.length} sections` + (hits.length > MOST ? `, the first ${MOST} shown` : "");
  }

  field.addEventListener("input", search);
  field.parentElement.hidden = false;
})();
