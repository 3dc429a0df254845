// The outbox: what was said on this phone, kept until the office has it, sent in order, each once.
// Shared by the pages and the service worker. Sending twice is harmless: the office keeps one row
// for each id. What is sent is locked, so that an undo knows whether it may have gone out.
"use strict";

const Outbox = (() => {
  const MOST = 50;
  const SHOWN_FOR_MS = 3 * 24 * 60 * 60 * 1000;
  const HEADERS = { "X-Outbox": "1", Accept: "application/json" };
  let opening = null;
  let sending = null;

  function open() {
    opening ??= new Promise((resolve, reject) => {
      const request = indexedDB.open("girtline", 1);
      request.onupgradeneeded = () => {
        const options = { keyPath: "place", autoIncrement: true };
        const store = request.result.createObjectStore("said", options);
        store.createIndex("id", "id", { unique: true });
      };
      request.onsuccess = () => resolve(request.result);
      request.onerror = () => reject(request.error);
    });
    return opening;
  }

  // Runs `use` in one transaction, and gives the result of the request it returns.
  async function within(mode, use) {
    const opened = await open();
    return new Promise((resolve, reject) => {
      // Strict: on the phone's disk before the person is told that it is kept.
      const transaction = opened.transaction("said", mode, { durability: "strict" });
      let request = null;
      transaction.oncomplete = () => resolve(request?.result);
      transaction.onabort = () => reject(transaction.error);
      request = use(transaction.objectStore("said"));
    });
  }

  const all = () => within("readonly", (store) => store.getAll());

  async function change(places, edit) {
    await within("readwrite", (store) => {
      for (const place of places) {
        const got = store.get(place);
        got.onsuccess = () => got.result && store.put(Object.assign(got.result, edit(got.result)));
      }
    });
    tell();
  }

  function tell() {
    const channel = new BroadcastChannel("girtline-outbox");
    channel.postMessage("changed");
    channel.close();
  }

  function newId() {
    if (crypto.randomUUID) return crypto.randomUUID();
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 0x0f) | 0x40; // version 4 and its variant: RFC 9562, section 5.4
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
  }

  // Keeps a report and its photos, all or nothing.
  async function add({ fields, words, label, photos = [] }) {
    const report = {
      kind: "report",
      id: newId(),
      fields,
      words,
      label,
      madeAt: new Date().toISOString(),
      state: "waiting",
      tried: false,
      told: [],
    };
    await within("readwrite", (store) => {
      store.add(report);
      for (const photo of photos) {
        const base = { kind: "photo", id: newId(), report: report.id, photo, words: "Photo", label };
        store.add({ ...base, madeAt: report.madeAt, state: "waiting", tried: false, told: [] });
      }
    });
    tell();
    return report.id;
  }

  // Takes a report back: out of the outbox if it never went out, else by a report that says so.
  async function undo(id) {
    let isGone = false;
    await within("readwrite", (store) => {
      const got = store.getAll();
      got.onsuccess = () => {
        const mine = got.result.filter((one) => one.id === id || one.report === id);
        const said = mine.find((one) => one.id === id);
        if (!said || said.undone) return;
        if (!said.tried) {
          mine.forEach((one) => store.delete(one.place));
          isGone = true;
          return;
        }
        store.put({ ...said, undone: true });
        store.add({
          kind: "report",
          id: newId(),
          fields: { do: `UNDO ${id}`, phase: said.fields.phase },
          words: `Taken back: ${said.words}`,
          label: said.label,
          madeAt: new Date().toISOString(),
          state: "waiting",
          tried: false,
          told: [],
          undoes: id,
        });
      };
    });
    tell();
    return isGone;
  }

  // Sends a refused report again, with its photos.
  async function again(id) {
    const mine = (await all()).filter((one) => one.id === id || one.report === id);
    const refused = mine.filter((one) => one.state === "refused");
    await change(refused.map((one) => one.place), () => ({ state: "waiting", told: [] }));
  }

  async function drop(id) {
    const mine = (await all()).filter((one) => one.id === id || one.report === id);
    await within("readwrite", (store) => mine.forEach((one) => store.delete(one.place)));
    tell();
  }

  async function forgetOld() {
    const before = new Date(Date.now() - SHOWN_FOR_MS).toISOString();
    const old = (await all()).filter((one) => one.state === "received" && one.at < before);
    if (old.length) {
      await within("readwrite", (store) => old.forEach((one) => store.delete(one.place)));
    }
  }

  // One sender at a time over all tabs and the worker; a killed tab lets the lock go.
  function send() {
    const locked = () =>
      typeof navigator.locks === "undefined"
        ? sendAll()
        : navigator.locks.request("girtline-outbox", sendAll);
    sending ??= locked().finally(() => {
      sending = null;
    });
    return sending;
  }

  async function sendAll() {
    let most = MOST;
    for (;;) {
      const waiting = (await all()).filter((one) => one.state === "waiting");
      const reports = waiting.filter((one) => one.kind === "report").slice(0, most);
      const photo = waiting.find((one) => one.kind === "photo");
      if (reports.length) {
        // What the office's computer cannot read at all holds up no other.
        if (!(await sendReports(reports))) most = 1;
      } else if (photo) {
        await sendPhoto(photo);
      } else {
        return;
      }
    }
  }

  // Returns whether the office could read them; throws where there is no answer from it.
  async function sendReports(reports) {
    await change(reports.map((one) => one.place), () => ({ tried: true }));
    const sent = reports.map((one) => ({ ...one.fields, id: one.id, made_at: one.madeAt }));
    const response = await ask("/phone/reports/", 30_000, {
      headers: { ...HEADERS, "Content-Type": "application/json" },
      body: JSON.stringify({ reports: sent }),
    });
    if (!response.ok) {
      if (reports.length > 1) return false;
      await settle(reports[0], { result: "REFUSED", words: ["This could not be read."] });
      return true;
    }
    const { results } = await response.json();
    const byId = new Map(results.map((one) => [one.id, one]));
    const answered = reports.filter((one) => byId.has(one.id));
    if (!answered.length) throw new Error("no answer");
    for (const one of answered) await settle(one, byId.get(one.id));
    return true;
  }

  async function sendPhoto(photo) {
    const report = (await all()).find((one) => one.id === photo.report);
    if (report?.state === "refused") {
      await settle(photo, { result: "REFUSED", words: ["Its report was not taken."] });
      return;
    }
    await change([photo.place], () => ({ tried: true }));
    const body = new FormData();
    body.append("photo", photo.photo, "photo.jpg");
    const address = `/phone/reports/${photo.report}/photos/`;
    const response = await ask(address, 180_000, { headers: HEADERS, body });
    const answer = response.ok ? await response.json() : { result: "REFUSED", words: [] };
    await settle(photo, answer);
  }

  // Throws where the answer is not the office's, or says to come again later.
  async function ask(address, mostMs, options) {
    const signal = AbortSignal.timeout?.(mostMs);
    const response = await fetch(address, { method: "POST", signal, ...options });
    const isOurs = (response.headers.get("Content-Type") ?? "").startsWith("application/json");
    if (response.status === 403 && isOurs) throw new SignedOut();
    if (response.redirected || response.status >= 500 || response.status === 429 || !isOurs) {
      throw new Error(`no answer: ${response.status}`);
    }
    return response;
  }

  async function settle(one, answer) {
    const isRefused = answer.result === "REFUSED";
    await change([one.place], () => ({
      state: isRefused ? "refused" : "received",
      told: answer.words ?? [],
      stands: answer.stands ?? "",
      at: new Date().toISOString(),
      // A photo that the office has is no longer needed here.
      ...(one.kind === "photo" && !isRefused ? { photo: null } : {}),
    }));
  }

  class SignedOut extends Error {}

  return { open, all, add, undo, again, drop, forgetOld, send, SignedOut };
})();
