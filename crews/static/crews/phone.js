// The crews' pages: reports go into the outbox, what became of each is shown, and how old the page
// is. Without scripts, or where the phone cannot keep anything, the forms are sent as they are.
"use strict";
(() => {
  const DOUBLE_TAP_MS = 700;
  const LAST_READ_MS = 5000; // a page that is older than this did not just come
  const OLD_MS = 10 * 60 * 1000;
  const KEPT_FRESH_MS = 30 * 60 * 1000; // a page behind the week's links is read anew after this
  const REFRESH_AFTER_MS = 2 * 60 * 1000;
  const LONGEST_SIDE_PX = 1600;
  const QUALITY = 0.8;
  const RETRY_MS = [5, 15, 60, 300].map((seconds) => seconds * 1000);
  const CLAIM_AGAIN_MS = 2000;
  const LONGEST_WAIT_MS = 30_000; // a network that says nothing for so long has no answer
  const KEPT_PAGE = /^\/phone\/(phases\/\d+\/)?$/; // what the worker keeps
  const status = document.getElementById("outbox");
  let isBusy = false;
  let isSignedOut = false;
  let isCut = false;
  let failures = 0;
  let retry = 0;
  let refreshing = 0;
  let refreshFailures = 0;
  let keeping = null;
  let keepsAgain = false;
  let keepLater = 0;
  let keepFailures = 0;
  let wereWaiting = new Set();

  const plural = (count, one, many) => `${count} ${count === 1 ? one : many}`;

  function element(name, text, className = "") {
    const made = document.createElement(name);
    made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  function clock(iso) {
    const at = new Date(iso);
    const time = at.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
    const isToday = at.toDateString() === new Date().toDateString();
    return isToday ? time : `${at.toLocaleDateString("en-US", { weekday: "short" })} ${time}`;
  }

  // --- how old the page is ---

  function showAge() {
    const line = document.getElementById("age");
    if (!line) return;
    const ageMs = Math.max(0, Date.now() - Date.parse(line.dataset.asOf));
    line.dataset.words ??= line.textContent;
    const minutes = Math.floor(ageMs / 60_000);
    const hours = Math.floor(minutes / 60);
    const age = hours >= 48 ? `${Math.floor(hours / 24)} days` : hours ? `${hours} h` : `${minutes} min`;
    const signal = navigator.onLine && !isCut ? "" : "No signal. ";
    line.textContent = `${signal}${line.dataset.words}${minutes ? `, ${age} old` : ""}`;
    line.classList.toggle("old", ageMs > OLD_MS);
  }

  function ageOf() {
    const line = document.getElementById("age");
    return line ? Date.now() - Date.parse(line.dataset.asOf) : 0;
  }

  // --- what was said, and what became of it ---

  const STATES = { waiting: "waiting for signal", received: "received", refused: "NOT taken" };

  function line(said, beside) {
    const item = element("li", "", said.state);
    const photos = beside.filter((one) => one.report === said.id);
    const missing = photos.filter((one) => one.state !== "received").length;
    const words = [`${said.words}, ${clock(said.madeAt)}: ${STATES[said.state]}`];
    if (said.state === "received") words[0] += ` ${clock(said.at)}`;
    if (photos.length) {
      words.push(missing ? `${plural(missing, "photo", "photos")} waiting` : "photos received");
    }
    item.append(element("span", `${words.join(", ")}.`));
    for (const told of said.told) item.append(element("p", told, "told"));
    if (said.undone || said.undoes) return item;
    const bar = element("p", "", "buttons");
    const act = (text, what) => {
      const button = element("button", text, "button");
      button.type = "button";
      button.dataset.act = what;
      button.dataset.id = said.id;
      button.setAttribute("aria-label", `${text}: ${said.words}, ${said.label}`);
      bar.append(button);
    };
    if (said.state === "refused") {
      act("Send again", "again");
      act("Drop it", "drop");
    } else {
      act("Undo", "undo");
    }
    item.append(bar);
    return item;
  }

  // Whoever sent it, this tab, another or the worker: what the office has changes the page.
  async function show() {
    const all = await Outbox.all();
    const settled = all.filter((one) => one.state !== "waiting" && wereWaiting.has(one.id));
    wereWaiting = new Set(all.filter((one) => one.state === "waiting").map((one) => one.id));
    if (settled.length) refreshSoon();
    const reports = all.filter((one) => one.kind === "report");
    const boxes = document.querySelectorAll(".report[data-phase]");
    const shown = new Set();
    for (const box of boxes) {
      const mine = reports.filter((one) => one.fields.phase === box.dataset.phase);
      const list = box.querySelector(".said");
      list.replaceChildren(...mine.toReversed().map((one) => line(one, all)));
      list.hidden = !mine.length;
      mine.forEach((one) => shown.add(one.id));
      const stands = mine.filter((one) => !one.undone && !one.undoes && one.state !== "refused");
      const isBegun = "begun" in box.dataset || stands.some((one) => one.fields.do === "STARTED");
      box.classList.toggle("begun", isBegun);
    }
    const others = reports.filter((one) => !shown.has(one.id) && one.state !== "received");
    const rest = document.getElementById("said-all");
    const list = element("ul", "", "said");
    list.append(
      ...others.map((one) => {
        const item = line(one, all);
        item.prepend(element("strong", `${one.label}. `));
        return item;
      }),
    );
    rest.replaceChildren(element("h2", "Said from this phone"), list);
    rest.hidden = !others.length;
    sum(all);
  }

  function sum(all) {
    const waiting = all.filter((one) => one.state === "waiting").length;
    const refused = all.filter((one) => one.state === "refused" && one.kind === "report").length;
    const words = [];
    if (isSignedOut) {
      words.push("This phone is not signed in any more. Ask the office for a link.");
    }
    if (waiting) {
      const rest = isSignedOut ? "kept on this phone" : "waiting to go out, by itself";
      words.push(`${plural(waiting, "report or photo is", "reports or photos are")} ${rest}.`);
    }
    if (refused) words.push(`${plural(refused, "report was", "reports were")} NOT taken: see why.`);
    const said = words.join(" ");
    if (status.textContent === said) return;
    status.replaceChildren(...(said ? [element("p", said, refused ? "error" : "")] : []));
  }

  // --- sending ---

  async function send() {
    clearTimeout(retry);
    if (!(await Outbox.all()).some((one) => one.state === "waiting")) return;
    try {
      await Outbox.send();
      failures = 0;
      isSignedOut = isCut = false;
    } catch (fault) {
      isSignedOut = fault instanceof Outbox.SignedOut;
      isCut = !isSignedOut;
      failures += 1;
      retry = setTimeout(send, RETRY_MS[Math.min(failures, RETRY_MS.length) - 1]);
    }
    await show();
    showAge();
    if (isSignedOut) refreshSoon();
  }

  async function sendInBackground() {
    // Chromium only: the worker sends when there is signal, even if no page is open then.
    const worker = await navigator.serviceWorker?.ready;
    await worker?.sync?.register("outbox").catch(() => {});
  }

  // --- the page anew, without losing what is being typed ---

  function refreshSoon() {
    clearTimeout(refreshing);
    refreshing = setTimeout(refresh, DOUBLE_TAP_MS);
  }

  const isInUse = () => isBusy || document.querySelector("details[open]");

  async function refresh() {
    if (!document.getElementById("age")) return;
    if (isInUse()) return refreshSoon();
    let text = "";
    try {
      const response = await read(location.pathname);
      if (response.status === 403) return location.reload();
      if (!response.ok) return;
      text = await response.text();
      isCut = false;
      refreshFailures = 0;
    } catch {
      isCut = true;
      showAge();
      // Signal is told before it carries anything, and a phone in a pocket is not looked at.
      clearTimeout(refreshing);
      refreshing = setTimeout(refresh, pauseAfter(++refreshFailures));
      return;
    }
    if (isInUse()) return refreshSoon();
    const fresh = new DOMParser().parseFromString(text, "text/html");
    if (!fresh.getElementById("age")) return;
    for (const id of ["main", "age"]) {
      document.getElementById(id).replaceWith(fresh.getElementById(id));
    }
    makeReady();
    await show();
    showAge();
    keepPages();
  }

  // --- the pages that are readable without signal ---

  const pauseAfter = (count) => RETRY_MS[Math.min(count, RETRY_MS.length) - 1];

  // Asks the network for a page, which the worker then keeps.
  function read(path, options = {}) {
    const signal = AbortSignal.timeout?.(LONGEST_WAIT_MS);
    return fetch(path, { headers: { "X-Fresh": "1" }, signal, ...options });
  }

  // Has the worker keep this page, the week and all behind its links, and comes back to what fails.
  async function keepPages() {
    if (keeping) {
      keepsAgain = true; // the page may have other links by now
      return keeping;
    }
    clearTimeout(keepLater);
    keeping = keepAll()
      .catch(() => false)
      .then((isWhole) => {
        keeping = null;
        keepFailures = isWhole ? 0 : keepFailures + 1;
        if (!isWhole) keepLater = setTimeout(keepPages, pauseAfter(keepFailures));
        if (keepsAgain) {
          keepsAgain = false;
          return keepPages();
        }
      });
    return keeping;
  }

  // Returns whether the phone now has every page; one after the other, since work comes first.
  async function keepAll() {
    if (!navigator.serviceWorker?.controller || !document.getElementById("age")) return true;
    const links = document.querySelectorAll('main a[href^="/phone/phases/"]');
    const behind = location.pathname === "/phone/" ? [...links].map((link) => link.pathname) : [];
    const paths = new Set(["/phone/", location.pathname, ...behind].filter((p) => KEPT_PAGE.test(p)));
    let misses = 0;
    for (const path of paths) {
      const last = Date.parse((await (await caches.open("pages")).match(path))?.headers.get("Date"));
      if (Date.now() - last < KEPT_FRESH_MS) continue;
      try {
        const response = await read(path, { priority: "low" });
        if (response.status === 403) return true; // let in no more: nothing is kept
      } catch {
        misses += 1;
        if (misses > 1) return false; // no network, and not one page that cannot be made
      }
    }
    // What the week leads to no more goes last, and only while this page is as the office has it.
    if (location.pathname === "/phone/" && !misses && ageOf() < KEPT_FRESH_MS) {
      const cache = await caches.open("pages");
      for (const old of await cache.keys()) {
        if (!paths.has(new URL(old.url).pathname)) await cache.delete(old);
      }
    }
    return !misses;
  }

  // --- photos ---

  // Draws a photo anew, smaller, which also leaves the place it was taken at behind.
  async function shrunk(file) {
    try {
      const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, LONGEST_SIDE_PX / Math.max(picture.width, picture.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.round(picture.width * scale);
      canvas.height = Math.round(picture.height * scale);
      canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
      picture.close();
      const made = await new Promise((done) => canvas.toBlob(done, "image/jpeg", QUALITY));
      return made ?? file;
    } catch {
      return file; // of a kind that this phone cannot read: the office's computer judges it
    }
  }

  // --- what is pressed ---

  function say(words) {
    status.replaceChildren(element("p", words));
  }

  async function keep(form, button) {
    const box = form.closest(".report");
    const data = new FormData(form);
    const files = data.getAll("photo").filter((file) => file.size);
    const fields = { do: button.value };
    for (const [name, value] of data) {
      const isOurs = ["csrfmiddlewaretoken", "report_id", "photo"].includes(name);
      if (!isOurs && typeof value === "string" && value.trim()) fields[name] = value;
    }
    if (button.value === "NOTE" && !fields.note && !files.length) {
      say("Write a word or two, or take a photo.");
      return;
    }
    if (files.length) {
      fields.photos = String(files.length);
      say("Making the photo small …");
    }
    const photos = [];
    for (const file of files) photos.push(await shrunk(file));
    const words = [button.dataset.words, fields.note, fields.shortage].filter(Boolean).join(": ");
    try {
      await Outbox.add({ fields, words, label: box.dataset.label, photos });
    } catch (fault) {
      say(`This phone could not keep it (${fault.name}). Free some space, or call the office.`);
      return;
    }
    form.reset();
    form.closest("details")?.removeAttribute("open");
    status.replaceChildren();
    await show();
    navigator.storage?.persist?.();
    sendInBackground();
    send();
  }

  async function once(what) {
    if (isBusy) return;
    isBusy = true;
    const earliest = new Promise((done) => setTimeout(done, DOUBLE_TAP_MS));
    try {
      await what();
    } finally {
      // The second tap of a double tap may land on what has moved under the thumb.
      await earliest;
      isBusy = false;
    }
  }

  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-report]");
    if (!form) return;
    event.preventDefault();
    const button = event.submitter ?? form.querySelector("button[name=do]");
    once(() => keep(form, button));
  });

  document.addEventListener("change", (event) => {
    if ("sends" in event.target.dataset && event.target.files.length) {
      event.target.form.requestSubmit(event.target.form.querySelector("button[name=do]"));
    }
  });

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-act]");
    if (!button) return;
    once(async () => {
      await Outbox[button.dataset.act](button.dataset.id);
      await show();
      if (button.dataset.act !== "drop") send();
    });
  });

  function makeReady() {
    document.documentElement.classList.add("scripted");
  }

  async function begin() {
    try {
      await Outbox.open();
    } catch {
      // The phone keeps nothing (a private window, say): leave the forms to the browser.
      document.addEventListener("submit", (event) => event.stopImmediatePropagation(), true);
      return;
    }
    makeReady();
    await Outbox.forgetOld();
    await show();
    showAge();
    setInterval(showAge, 30_000);
    new BroadcastChannel("girtline-outbox").onmessage = show;
    addEventListener("online", () => {
      send();
      refresh();
    });
    addEventListener("offline", showAge);
    document.addEventListener("visibilitychange", () => {
      if (document.hidden) return;
      showAge();
      send();
      if (ageOf() > REFRESH_AFTER_MS) refresh();
      else keepPages();
    });
    await send();
    // As last read, since the network was slow or is away: ask again without hurry.
    if (ageOf() > LAST_READ_MS) refresh();
    // Where the program cannot be fetched now, the next page tries again.
    if (navigator.serviceWorker) await install().catch(() => {});
  }

  async function install() {
    await navigator.serviceWorker.register("/phone/sw.js");
    const isClaimed = new Promise((done) =>
      navigator.serviceWorker.addEventListener("controllerchange", done, { once: true }),
    );
    // A page that was on its way in while the worker began is not the worker's until it asks, and
    // a worker that is just being replaced does not hear it.
    while (!navigator.serviceWorker.controller) {
      (await navigator.serviceWorker.ready).active.postMessage("claim");
      await Promise.race([isClaimed, new Promise((done) => setTimeout(done, CLAIM_AGAIN_MS))]);
    }
    await keepPages();
  }

  begin();
})();
