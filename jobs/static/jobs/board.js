// The booking board: bars are picked, carried by pointer or by keys, and dropped as one question
// to the server; the answer comes into the panel. Nothing is decided here.
"use strict";
(function () {
  const POLL_MS = 3000;
  const DRAG_FROM_PX = 5;
  const EDGE_PX = 40;
  const SAME_ROOM_PX = 12;
  const REST_MS = 400;
  // Unchanged, a board is still drawn anew now and then: the line of today moves on.
  const REDRAW_MS = 600000;
  const board = document.getElementById("board");
  const panel = document.getElementById("board-panel");
  const say = document.getElementById("board-say");
  if (!board || !panel || !say) {
    return;
  }
  let bays = [];
  let carried = null;
  let dragged = null;
  let mayClick = true;
  let isBusy = false;
  let resting = 0;
  let drawnAt = Date.now();

  const grid = () => document.getElementById("board-grid");
  const scroll = () => board.querySelector(".board-scroll");
  const bars = (row) => Array.from(row.querySelectorAll("a.bar"));
  const rows = () => Array.from(board.querySelectorAll(".board-row[data-row]"));

  function tell(words) {
    say.textContent = words;
  }

  // --- where things are ---

  function readBays() {
    let left = 0;
    bays = grid().dataset.bays.split(" ").map(function (text) {
      const [day, width] = text.split(":");
      const bay = { day: day, left: left, width: Number(width) };
      left += bay.width;
      return bay;
    });
  }

  function bayAt(x) {
    const found = bays.findIndex((bay) => x < bay.left + bay.width);
    return found < 0 ? bays.length - 1 : Math.max(0, found);
  }

  function leftOf(bar) {
    const svg = bar.closest("svg");
    return bar.getBoundingClientRect().left - svg.getBoundingClientRect().left;
  }

  function isCrew(row) {
    return row !== null && row.dataset.row.startsWith("crew-");
  }

  // A move needs a row of a crew, or a board by job, where the crew stays.
  function mayTake(row, bar) {
    return row !== null && (isCrew(row) || row === bar.closest(".board-row"));
  }

  function crewOf(row, bar) {
    return isCrew(row) ? row.dataset.row.slice(5) : bar.dataset.m;
  }

  function nameOf(row) {
    return row.querySelector(".board-name b").textContent;
  }

  function dayWords(day) {
    const parts = day.split("-").map(Number);
    const date = new Date(parts[0], parts[1] - 1, parts[2]);
    return date.toLocaleDateString("en-US", { weekday: "short", month: "short", day: "numeric" });
  }

  // --- one stop for the Tab key, arrows from bar to bar ---

  function rove(bar) {
    board.querySelectorAll('a.bar[tabindex="0"]').forEach((one) => one.setAttribute("tabindex", "-1"));
    bar.setAttribute("tabindex", "0");
  }

  function setStops() {
    const all = board.querySelectorAll("a.bar");
    all.forEach((bar) => bar.setAttribute("tabindex", "-1"));
    const first = board.querySelector("a.bar.picked") || all[0];
    if (first) {
      first.setAttribute("tabindex", "0");
    }
    const region = scroll();
    if (region) {
      region.setAttribute("tabindex", first ? "-1" : "0");
    }
  }

  function go(bar) {
    if (bar) {
      rove(bar);
      bar.focus({ preventScroll: true });
      bar.scrollIntoView({ block: "nearest", inline: "nearest" });
    }
  }

  function nearest(bar, step) {
    const all = rows();
    const x = leftOf(bar);
    let index = all.indexOf(bar.closest(".board-row")) + step;
    for (; index >= 0 && index < all.length; index += step) {
      const there = bars(all[index]);
      if (there.length) {
        return there.reduce((a, b) => (Math.abs(leftOf(b) - x) < Math.abs(leftOf(a) - x) ? b : a));
      }
    }
    return null;
  }

  function walk(bar, key) {
    const mine = bars(bar.closest(".board-row"));
    const here = mine.indexOf(bar);
    switch (key) {
      case "ArrowRight": go(mine[here + 1]); break;
      case "ArrowLeft": go(mine[here - 1]); break;
      case "ArrowDown": go(nearest(bar, 1)); break;
      case "ArrowUp": go(nearest(bar, -1)); break;
      case "Home": go(mine[0]); break;
      case "End": go(mine[mine.length - 1]); break;
      default: return false;
    }
    return true;
  }

  // --- carrying a bar ---

  function ghostAt(bar, row, bay) {
    let ghost = board.querySelector(".board-ghost");
    if (!ghost) {
      ghost = document.createElement("div");
      ghost.className = "board-ghost";
      scroll().appendChild(ghost);
    }
    const name = row.querySelector(".board-name").offsetWidth;
    ghost.style.left = name + bays[bay].left + "px";
    ghost.style.top = row.offsetTop + 16 + "px";
    ghost.style.minWidth = Math.max(24, bar.getBoundingClientRect().width) + "px";
    ghost.textContent = bar.getAttribute("aria-label").split(",")[1].trim() + ", " + dayWords(bays[bay].day);
    return ghost;
  }

  function dropGhost() {
    const ghost = board.querySelector(".board-ghost");
    if (ghost) {
      ghost.remove();
    }
    carried = null;
  }

  function lift(bar) {
    if (!bar.dataset.m) {
      tell("This bar cannot be moved: it is done, under way, or not a crew's.");
      return;
    }
    carried = { bar: bar, row: bar.closest(".board-row"), bay: bayAt(leftOf(bar) + 2) };
    showCarried();
  }

  function showCarried() {
    const ghost = ghostAt(carried.bar, carried.row, carried.bay);
    ghost.scrollIntoView({ block: "nearest", inline: "nearest" });
    tell(nameOf(carried.row) + ", " + dayWords(bays[carried.bay].day) + ". Enter asks what would follow, Escape puts it back.");
  }

  function carry(key) {
    const all = rows().filter((row) => mayTake(row, carried.bar));
    const index = all.indexOf(carried.row);
    const to = { ArrowRight: 1, ArrowLeft: -1 }[key];
    const down = { ArrowDown: 1, ArrowUp: -1 }[key];
    if (to) {
      carried.bay = Math.min(bays.length - 1, Math.max(0, carried.bay + to));
    } else if (down) {
      carried.row = all[Math.min(all.length - 1, Math.max(0, index + down))];
    } else {
      return false;
    }
    showCarried();
    return true;
  }

  function ask(bar, row, bay) {
    dropGhost();
    const csrf = document.querySelector("[name=csrfmiddlewaretoken]");
    if (!csrf) {
      return;
    }
    tell("Asking what would follow …");
    window.performance.mark("board-asked");
    window.htmx.ajax("POST", board.dataset.try, {
      target: panel,
      swap: "innerHTML",
      values: {
        csrfmiddlewaretoken: csrf.value,
        kind: "MOVE",
        phase: bar.dataset.p,
        crew: crewOf(row, bar),
        day: bays[bay].day,
        seen: grid().dataset.version,
      },
    });
  }

  function onKey(event) {
    if (event.key === "Escape" && (carried || dragged)) {
      dropGhost();
      dragged = null;
      tell("Put back.");
      event.preventDefault();
      return;
    }
    if (event.key === "Escape") {
      dropTip();
      return;
    }
    const bar = event.target.closest && event.target.closest("a.bar");
    if (!bar || event.ctrlKey || event.metaKey || event.altKey) {
      return;
    }
    let isMine = true;
    if (carried) {
      if (event.key === "Enter") {
        ask(carried.bar, carried.row, carried.bay);
      } else {
        isMine = carry(event.key);
      }
    } else if (event.key === "m" || event.key === "M") {
      lift(bar);
    } else if (event.key === " ") {
      pick(bar);
    } else if (event.key === "Enter" && panel.querySelector(`[data-picked="${bar.dataset.p}"]`)) {
      panel.querySelector("h2").focus();
    } else {
      isMine = walk(bar, event.key);
    }
    if (isMine) {
      event.preventDefault();
    }
  }

  function onDown(event) {
    const bar = event.target.closest("a.bar");
    mayClick = true;
    if (!bar || event.button !== 0 || !bar.dataset.m || event.pointerType === "touch") {
      return;
    }
    dropGhost();
    dropTip();
    dragged = { bar: bar, x: event.clientX, y: event.clientY, grab: event.clientX - bar.getBoundingClientRect().left, place: null };
  }

  function onMove(event) {
    if (!dragged) {
      return;
    }
    const far = Math.abs(event.clientX - dragged.x) + Math.abs(event.clientY - dragged.y);
    if (mayClick && far < DRAG_FROM_PX) {
      return;
    }
    mayClick = false;
    const region = scroll().getBoundingClientRect();
    const dx = event.clientX > region.right - EDGE_PX ? 12 : event.clientX < region.left + EDGE_PX + 100 ? -12 : 0;
    const dy = event.clientY > region.bottom - EDGE_PX ? 12 : event.clientY < region.top + EDGE_PX ? -12 : 0;
    if (dx || dy) {
      scroll().scrollBy(dx, dy);
    }
    const under = document.elementFromPoint(event.clientX, event.clientY);
    const row = under && under.closest(".board-row[data-row]");
    if (!row || !mayTake(row, dragged.bar)) {
      return;
    }
    const left = row.querySelector("svg").getBoundingClientRect().left;
    dragged.place = { row: row, bay: bayAt(event.clientX - dragged.grab - left + 3) };
    ghostAt(dragged.bar, row, dragged.place.bay);
  }

  function onUp() {
    const done = dragged;
    dragged = null;
    if (done && !mayClick && done.place) {
      ask(done.bar, done.place.row, done.place.bay);
    } else if (done) {
      dropGhost();
    }
  }

  // --- picking ---

  function mark(phase) {
    board.querySelectorAll("a.bar.picked").forEach((bar) => bar.classList.remove("picked"));
    board.querySelectorAll(`a.bar[data-p="${phase}"]`).forEach((bar) => bar.classList.add("picked"));
  }

  function pickPhase(phase) {
    mark(phase);
    window.performance.mark("board-asked");
    window.htmx.ajax("GET", board.dataset.pick.replace("/0/", "/" + phase + "/"), { target: panel, swap: "innerHTML" });
  }

  function pick(bar) {
    rove(bar);
    pickPhase(bar.dataset.p);
  }

  function onClick(event) {
    if (event.defaultPrevented || event.button !== 0 || event.ctrlKey || event.metaKey || event.shiftKey) {
      return;
    }
    const bar = event.target.closest("[data-p]");
    if (bar && (board.contains(bar) || panel.contains(bar))) {
      event.preventDefault();
      if (mayClick) {
        pickPhase(bar.dataset.p);
      }
      mayClick = true;
      return;
    }
    if (event.target.closest("[data-leave]")) {
      event.preventDefault();
      showMoves("");
      panel.replaceChildren(Object.assign(document.createElement("h2"), { textContent: "Left as it was", tabIndex: -1 }));
      tell("Left as it was. Nothing is saved.");
      const back = board.querySelector('a.bar[tabindex="0"]');
      if (back) {
        back.focus();
      }
    }
  }

  // The whole stay of a picked job stands out, wherever its crews are.
  function markJob() {
    const mine = new Set(Array.from(panel.querySelectorAll("[data-p]"), (one) => one.dataset.p));
    board.querySelectorAll("a.bar.of-job").forEach((bar) => bar.classList.remove("of-job"));
    board.querySelectorAll("a.bar").forEach(function (bar) {
      if (mine.has(bar.dataset.p)) {
        bar.classList.add("of-job");
      }
    });
  }

  function showMoves(phases) {
    board.querySelectorAll("a.bar.would-move").forEach((bar) => bar.classList.remove("would-move"));
    phases.split(" ").filter(Boolean).forEach(function (phase) {
      board.querySelectorAll(`a.bar[data-p="${phase}"]`).forEach((bar) => bar.classList.add("would-move"));
    });
  }

  function onSwapped(event) {
    if (event.detail.target !== panel) {
      return;
    }
    const told = panel.querySelector("[data-say]");
    tell(told ? told.dataset.say : "");
    const answer = panel.querySelector("[data-moves]");
    showMoves(answer ? answer.dataset.moves : "");
    markJob();
    const wasPicked = panel.querySelector("[data-picked]");
    if (!wasPicked || document.activeElement === document.body) {
      const heading = panel.querySelector("h2");
      if (heading) {
        heading.focus({ preventScroll: true });
      }
    }
    panel.scrollTop = 0;
    window.performance.mark("board-answered");
    if (panel.querySelector("[data-stale]")) {
      refresh("");
    }
  }

  // --- other people's changes ---

  function refresh(words) {
    if (isBusy) {
      return Promise.resolve();
    }
    isBusy = true;
    return fetch(board.dataset.grid + "?" + grid().dataset.query, { credentials: "same-origin" })
      .then(function (response) {
        if (!response.ok || response.redirected) {
          throw new Error("The board could not be read.");
        }
        return response.text();
      })
      .then(function (text) {
        const fresh = new DOMParser().parseFromString(text, "text/html").getElementById("board-grid");
        if (fresh) {
          take(fresh);
          tell(words && fresh.dataset.say ? words + " Last move: " + fresh.dataset.say + "." : words || say.textContent);
        }
      })
      .catch(() => tell("The board cannot be reached: what you see may be old. It is tried again."))
      .finally(function () {
        isBusy = false;
      });
  }

  // Only rows that differ are put in anew, so that focus and scrolling stay where they are.
  function take(fresh) {
    drawnAt = Date.now();
    const old = grid();
    const active = document.activeElement && document.activeElement.closest("a.bar");
    const focus = active ? { row: active.closest(".board-row").id, phase: active.dataset.p } : null;
    const picked = board.querySelector("a.bar.picked");
    const names = (root) => Array.from(root.querySelectorAll(".board-row")).map((row) => row.id).join(" ");
    if (names(old) === names(fresh) && old.dataset.bays === fresh.dataset.bays) {
      fresh.querySelectorAll(".board-row").forEach(function (row) {
        const mine = document.getElementById(row.id);
        if (!row.dataset.digest || mine.dataset.digest !== row.dataset.digest) {
          mine.replaceWith(row);
        }
      });
      old.querySelector(".defs").replaceWith(fresh.querySelector(".defs"));
      for (const name of ["board-plan-words", "board-moves"]) {
        document.getElementById(name).replaceWith(fresh.querySelector("#" + name));
      }
      old.dataset.version = fresh.dataset.version;
      old.dataset.say = fresh.dataset.say;
    } else {
      const at = [scroll().scrollLeft, scroll().scrollTop];
      old.replaceWith(fresh);
      scroll().scrollTo(at[0], at[1]);
    }
    window.htmx.process(document.getElementById("board-moves"));
    document.querySelectorAll(".board-tools [name=seen]").forEach((input) => { input.value = grid().dataset.version; });
    readBays();
    if (picked) {
      mark(picked.dataset.p);
    }
    markJob();
    setStops();
    if (focus && !document.activeElement.closest("a.bar")) {
      const again = document.querySelector(`#${focus.row} a.bar[data-p="${focus.phase}"]`) || board.querySelector(`a.bar[data-p="${focus.phase}"]`);
      if (again) {
        go(again);
      }
    }
  }

  function poll() {
    if (document.hidden || dragged || carried || isBusy) {
      return;
    }
    if (Date.now() - drawnAt > REDRAW_MS) {
      refresh("");
      return;
    }
    fetch(board.dataset.versionAt, { credentials: "same-origin" })
      .then((response) => (response.ok && !response.redirected ? response.json() : null))
      .then(function (told) {
        if (told && told.version !== grid().dataset.version) {
          return refresh("The board has changed and is drawn anew.");
        }
        return null;
      })
      .catch(() => tell("The board cannot be reached: what you see may be old. It is tried again."));
  }

  // --- what a bar says, beside it ---

  function tip(bar) {
    const words = bar.getAttribute("aria-label");
    const box = bar.getBoundingClientRect();
    const shown = document.querySelector(".board-tip") || document.createElement("div");
    shown.className = "board-tip";
    shown.setAttribute("aria-hidden", "true");
    shown.textContent = words;
    document.body.appendChild(shown);
    const x = Math.max(4, Math.min(box.left, window.innerWidth - shown.offsetWidth - 8));
    const below = box.bottom + 8 + shown.offsetHeight < window.innerHeight;
    shown.style.left = x + "px";
    shown.style.top = (below ? box.bottom + 8 : box.top - shown.offsetHeight - 8) + "px";
  }

  function dropTip() {
    const shown = document.querySelector(".board-tip");
    if (shown) {
      shown.remove();
    }
  }

  function onPoint(event) {
    const bar = event.target.closest(".bar");
    if (bar && !dragged && !carried) {
      tip(bar);
    } else {
      dropTip();
    }
  }

  // --- the room there is for days ---

  // The days fill the window: the server draws them as wide as there is room, and is told here.
  function fitRoom() {
    const name = board.querySelector(".board-name");
    const room = scroll().clientWidth - (name ? name.offsetWidth : 0);
    const asked = Number(new URLSearchParams(grid().dataset.query).get("room"));
    if (room < 1 || Math.abs(room - asked) <= SAME_ROOM_PX) {
      return Promise.resolve();
    }
    const secure = window.location.protocol === "https:" ? "; secure" : "";
    document.cookie = `board_room=${room}; path=${window.location.pathname}; max-age=31536000; samesite=lax${secure}`;
    const query = new URLSearchParams(grid().dataset.query);
    query.set("room", String(room));
    grid().dataset.query = query.toString();
    return refresh("");
  }

  function onResize() {
    window.clearTimeout(resting);
    resting = window.setTimeout(fitRoom, REST_MS);
  }

  board.addEventListener("keydown", onKey);
  board.addEventListener("pointerover", onPoint);
  board.addEventListener("pointerleave", dropTip);
  window.addEventListener("resize", onResize);
  board.addEventListener("pointerdown", onDown);
  document.addEventListener("pointermove", onMove);
  document.addEventListener("pointerup", onUp);
  board.addEventListener("dragstart", (event) => event.preventDefault());
  document.addEventListener("click", onClick);
  board.addEventListener("focusin", function (event) {
    const bar = event.target.closest("a.bar");
    if (bar) {
      rove(bar);
      if (bar.matches(":focus-visible")) {
        tip(bar);
      }
    }
  });
  board.addEventListener("focusout", dropTip);
  board.addEventListener("scroll", dropTip, true);
  panel.addEventListener("keydown", function (event) {
    const back = board.querySelector("a.bar.picked") || board.querySelector('a.bar[tabindex="0"]');
    if (event.key === "Escape" && back) {
      go(back);
    }
  });
  document.body.addEventListener("htmx:afterSwap", onSwapped);
  document.body.addEventListener("board-changed", () => { showMoves(""); refresh(""); });
  document.addEventListener("visibilitychange", poll);

  readBays();
  const asked = panel.querySelector("[data-picked]");
  if (asked) {
    mark(asked.dataset.picked);
  }
  markJob();
  setStops();
  fitRoom().finally(function () {
    window.setInterval(poll, POLL_MS);
    board.dataset.ready = "yes";
    window.performance.mark("board-ready");
  });
})();
