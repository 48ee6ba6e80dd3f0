"use strict";
(function () {
  const data = JSON.parse(document.getElementById("positions").textContent);
  const [SQUARE, LEFT, TOP] = data.size;
  const SVG = "http://www.w3.org/2000/svg";
  const NAMES = { K: "King", Q: "Queen", R: "Rook", B: "Bishop", N: "Knight" };
  const figures = {};
  const lines = [];
  let active = null;

  function element(name, attributes) {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    return made;
  }

  // Men by square, a1 first, from the first field of a FEN.
  function men(fen) {
    const found = [];
    fen.split(" ")[0].split("/").forEach(function (row, i) {
      let file = 0;
      for (const sign of row) {
        if (sign >= "1" && sign <= "8") file += Number(sign);
        else found.push([sign, file++, 7 - i]);
      }
    });
    return found.sort((a, b) => a[2] - b[2] || a[1] - b[1]);
  }

  function inWords(fen) {
    const board = men(fen);
    const sides = [["White", (s) => s === s.toUpperCase()], ["Black", (s) => s === s.toLowerCase()]];
    const told = sides.map(function ([name, mine]) {
      const parts = [];
      for (const kind of Object.keys(NAMES)) {
        for (const [sign, file, rank] of board) {
          if (mine(sign) && sign.toUpperCase() === kind) parts.push(kind + "abcdefgh"[file] + (rank + 1));
        }
      }
      const pawns = board.filter((man) => mine(man[0]) && man[0].toUpperCase() === "P")
        .map((man) => "abcdefgh"[man[1]] + (man[2] + 1));
      if (pawns.length) parts.push((pawns.length === 1 ? "pawn " : "pawns ") + pawns.join(" "));
      return name + ": " + parts.join(", ");
    });
    return told.join("; ") + "; " + (fen.endsWith(" w") ? "White" : "Black") + " to move";
  }

  function draw(figure, fen, last, words) {
    const all = document.createDocumentFragment();
    for (const [sign, file, rank] of men(fen)) {
      all.append(element("use", {
        href: "#fp-" + sign, x: LEFT + file * SQUARE, y: TOP + (7 - rank) * SQUARE,
        width: SQUARE, height: SQUARE,
      }));
    }
    figure.men.replaceChildren(all);
    const frames = document.createDocumentFragment();
    for (const name of last ? [last.slice(0, 2), last.slice(2, 4)] : []) {
      frames.append(element("rect", {
        x: LEFT + "abcdefgh".indexOf(name[0]) * SQUARE + 2,
        y: TOP + (8 - Number(name[1])) * SQUARE + 2,
        width: SQUARE - 4, height: SQUARE - 4,
      }));
    }
    figure.last.replaceChildren(frames);
    const white = fen.endsWith(" w");
    const y = white ? TOP + 8 * SQUARE - 7 : TOP + 7;
    figure.mover.setAttribute("d", "M" + (LEFT + 8 * SQUARE + 6) + " " + y + "h15l-7.5 " + (white ? -14 : 14) + "z");
    figure.mover.setAttribute("fill", white ? "#fff" : "#000");
    figure.title.textContent = words + (last ? "; last move from " + last.slice(0, 2) + " to " + last.slice(2, 4) : "");
  }

  // The diagram as it stands on paper.
  function reset(figure) {
    const [fen, last] = data.figures[figure.id];
    draw(figure, fen, last, inWords(fen));
    figure.title.textContent = figure.words;
    if (figure.marks) figure.marks.removeAttribute("display");
    figure.caption.textContent = figure.text;
    figure.box.classList.remove("stepping");
    figure.line.forEach((line) => current(line, line.shown));
    figure.at = figure.score ? figure.score.shown : -1;
  }

  function current(line, at) {
    const chosen = line.moves.find((move) => Number(move.dataset.at) === at) || null;
    for (const move of line.moves) {
      move.removeAttribute("aria-current");
      move.tabIndex = -1;
    }
    if (chosen) chosen.setAttribute("aria-current", "true");
    (chosen || line.moves[0] || {}).tabIndex = 0;
    return chosen;
  }

  function go(line, at, focus) {
    const figure = line.figure;
    active = line;
    if (at < 0) {
      reset(figure);
      figure.chosen = figure.score || line;
      const stop = line.moves.find((move) => move.tabIndex === 0);
      if (focus && stop) stop.focus();
      return;
    }
    at = Math.min(at, line.steps.length - 1);
    figure.line.forEach((other) => other === line || current(other, null));
    figure.chosen = line;
    figure.at = at;
    const [fen, last, label, remark] = line.steps[at];
    draw(figure, fen, last, inWords(fen));
    if (figure.marks) figure.marks.setAttribute("display", "none");
    figure.caption.textContent = (line.first ? label : "After " + label) + (remark ? ": " + remark : "");
    figure.box.classList.add("stepping");
    const chosen = current(line, at);
    if (focus && chosen) chosen.focus();
  }

  function step(line, key, focus) {
    const figure = line.figure;
    const at = figure.chosen === line ? figure.at : line.shown;
    const end = line.steps.length - 1;
    // Nought is the start of the score; other lines start on their diagram.
    const least = line.first ? 0 : -1;
    if (key === "ArrowRight") go(line, Math.min(at + 1, end), focus);
    else if (key === "ArrowLeft") go(line, Math.max(at - 1, least), focus);
    else if (key === "Home") go(line, least, focus);
    else if (key === "End") go(line, end, focus);
    else if (key === "Escape") go(line, -1, focus);
    else return false;
    return true;
  }

  function button(figure, text, label, key) {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    made.setAttribute("aria-label", label);
    made.addEventListener("click", () => step(figure.chosen, key, false));
    return made;
  }

  for (const box of document.querySelectorAll("figure.diagram")) {
    const svg = box.querySelector("svg");
    const caption = box.querySelector(".caption");
    figures[box.id] = {
      id: box.id, box: box, svg: svg, caption: caption, text: caption.textContent,
      title: svg.querySelector("title"), words: svg.querySelector("title").textContent,
      men: svg.querySelector(".men"), last: svg.querySelector(".last"),
      marks: svg.querySelector(".marks"), mover: svg.querySelector(".mover"),
      line: [], chosen: null, score: null, at: -1,
    };
    caption.setAttribute("aria-live", "polite");
  }

  for (const place of document.querySelectorAll("[data-line]")) {
    const [id, steps, shown] = data.lines[Number(place.dataset.line)];
    const line = {
      figure: figures[id], steps: steps, first: place.dataset.first === "1",
      moves: Array.from(place.querySelectorAll(".mv")).filter((move) => move.closest("[data-line]") === place),
    };
    line.shown = shown;
    lines.push(line);
    line.figure.line.push(line);
    if (!line.figure.chosen || line.first) line.figure.chosen = line;
    if (line.first) {
      line.figure.score = line;
      line.figure.at = line.shown;
    }
    for (const move of line.moves) {
      move.setAttribute("role", "button");
      move.tabIndex = -1;
      move.addEventListener("click", () => go(line, Number(move.dataset.at), true));
      move.addEventListener("keydown", function (event) {
        if (event.key === "Enter" || event.key === " ") {
          go(line, Number(move.dataset.at), true);
          event.preventDefault();
        }
      });
    }
    current(line, line.shown);
    if (line.first) active = line;
  }
  const score = active;

  for (const figure of Object.values(figures)) {
    if (!figure.chosen) continue;
    const row = document.createElement("div");
    row.className = "controls";
    row.setAttribute("role", "group");
    row.setAttribute("aria-label", "Stepping");
    row.append(
      button(figure, "«", "To the start", "Home"), button(figure, "‹", "Back", "ArrowLeft"),
      button(figure, "›", "On", "ArrowRight"), button(figure, "»", "To the end", "End"),
    );
    row.addEventListener("keydown", function (event) {
      if (!plain(event) || !step(figure.chosen, event.key, false)) return;
      event.preventDefault();
      event.stopPropagation();
    });
    figure.box.insertBefore(row, figure.box.querySelector("figcaption"));
  }

  function plain(event) {
    return !(event.altKey || event.ctrlKey || event.metaKey || event.shiftKey);
  }

  document.addEventListener("keydown", function (event) {
    if (!plain(event)) return;
    const target = event.target instanceof Element ? event.target : document.body;
    const move = target.closest(".mv");
    if (move) {
      const line = lines.find((other) => other.moves.includes(move));
      const figure = line.figure;
      // A line not yet on the board begins with the move that has the focus.
      if (figure.chosen !== line || figure.at < 0) {
        const at = Number(move.dataset.at);
        if (event.key === "ArrowRight" || event.key === "ArrowLeft") {
          go(line, event.key === "ArrowRight" ? at : at - 1, true);
          event.preventDefault();
          return;
        }
      }
      if (step(line, event.key, true)) event.preventDefault();
      return;
    }
    const link = target.closest(".strip a");
    if (link) {
      const at = strip.indexOf(link);
      const to = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: strip.length - 1 }[event.key];
      if (to === undefined || !strip[to]) return;
      strip.forEach((other) => other.setAttribute("tabindex", other === strip[to] ? "0" : "-1"));
      strip[to].focus();
      event.preventDefault();
      return;
    }
    if (target === document.body && active && /^Arrow(Left|Right)$/.test(event.key)) {
      if (step(active, event.key, false)) event.preventDefault();
    }
  });

  // The strip is one stop of the tab key; arrows go along it.
  const strip = Array.from(document.querySelectorAll(".strip a"));
  strip.forEach((link, i) => link.setAttribute("tabindex", i ? "-1" : "0"));

  function jump() {
    const found = /^#p(\d+)$/.exec(location.hash);
    if (found && score) go(score, Number(found[1]), true);
  }
  document.addEventListener("click", function (event) {
    const link = event.target instanceof Element && event.target.closest("a[href^='#p']");
    if (link && link.getAttribute("href") === location.hash) jump();
  });
  window.addEventListener("hashchange", jump);
  window.addEventListener("beforeprint", () => Object.values(figures).forEach(reset));
  jump();
})();
