// The service worker: pages as last read where there is no signal, and the outbox's sending when
// the phone finds signal while no page is open. VERSION and SHELL stand above, put there by the
// service.
"use strict";
importScripts(SHELL.find((path) => path.endsWith("outbox.js")));

// So long a page waits for the network before it is shown as last read; our own.
const PATIENCE_MS = 3000;
const SHELL_CACHE = `shell-${VERSION}`;
const PAGES = "pages";
const PHOTOS = "photos";
const MOST_PHOTOS = 60;

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches
      .open(SHELL_CACHE)
      .then((cache) => cache.addAll(SHELL.map((path) => new Request(path, { cache: "reload" }))))
      .then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    caches
      .keys()
      .then((names) => names.filter((name) => name.startsWith("shell-") && name !== SHELL_CACHE))
      .then((old) => Promise.all(old.map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

// A page that was on its way in while this worker took over is left out of that; it asks for it.
self.addEventListener("message", (event) => {
  if (event.data === "claim") event.waitUntil(self.clients.claim());
});

self.addEventListener("sync", (event) => {
  if (event.tag === "outbox") event.waitUntil(Outbox.send());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (SHELL.includes(url.pathname) && request.mode !== "navigate") {
    event.respondWith(kept(SHELL_CACHE, request));
  } else if (/^\/phone\/photos\/\d+\.jpg$/.test(url.pathname)) {
    event.respondWith(kept(PHOTOS, request));
  } else if (/^\/phone\/(phases\/\d+\/)?$/.test(url.pathname)) {
    const key = url.pathname;
    const fresh = read(request, key);
    // What comes too late for this time is there for the next.
    event.waitUntil(fresh.catch(() => {}));
    event.respondWith(request.headers.has("X-Fresh") ? fresh : soon(fresh, key));
  }
});

// From the cache, else from the network and into it.
async function kept(name, request) {
  const cache = await caches.open(name);
  const found = await cache.match(request, { ignoreVary: true });
  if (found) return found;
  const response = await fetch(request);
  if (response.ok && (await isPut(cache, request, response)) && name === PHOTOS) {
    const all = await cache.keys();
    await Promise.all(all.slice(0, -MOST_PHOTOS).map((old) => cache.delete(old)));
  }
  return response;
}

// Whether the phone had room for it; what came is shown all the same.
async function isPut(cache, key, response) {
  try {
    await cache.put(key, response.clone());
    return true;
  } catch {
    return false;
  }
}

// From the network and into the cache; a phone that is no longer let in keeps nothing.
async function read(request, key) {
  const response = await fetch(request);
  if (response.status >= 500) throw new Error(`no answer: ${response.status}`);
  if (response.status === 403) {
    await Promise.all([PAGES, PHOTOS].map((name) => caches.delete(name)));
    return response;
  }
  const cache = await caches.open(PAGES);
  if (response.ok && !response.redirected) await isPut(cache, key, response);
  else if (response.status === 404) await cache.delete(key);
  return response;
}

// The network's answer if it comes soon, else the page as last read.
async function soon(fresh, key) {
  const cache = await caches.open(PAGES);
  const last = await cache.match(key, { ignoreVary: true });
  const none = async () => last ?? (await caches.match(SHELL[0])) ?? Response.error();
  if (!last) return fresh.catch(none);
  const patience = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS, last));
  return Promise.race([fresh, patience]).catch(none);
}
