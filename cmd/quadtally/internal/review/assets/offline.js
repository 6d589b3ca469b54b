"use strict";
// Keeps the page of the phone, so that it opens while the laptop is out of
// reach. Nothing of the trial is kept here: that is the page's own to keep.

const store = "quadtally-page";
const parts = ["/page.css", "/field.js", "/icon.svg"];

self.addEventListener("install", (e) => {
  self.skipWaiting();
  e.waitUntil(caches.open(store).then((c) => c.addAll(["/", ...parts].map((p) => new Request(p, { cache: "reload" })))));
});
self.addEventListener("activate", (e) => e.waitUntil(self.clients.claim()));

// The laptop's answer first; its last one where none comes within three
// seconds.
self.addEventListener("fetch", (e) => {
  const path = new URL(e.request.url).pathname;
  if (e.request.method !== "GET" || !(path === "/" || parts.includes(path)) || new URL(e.request.url).searchParams.has("key")) return;
  const name = path; // without the query: one page, one copy
  e.respondWith((async () => {
    const cache = await caches.open(store);
    const live = fetch(e.request).then((r) => { if (r.ok && !r.redirected) e.waitUntil(cache.put(name, r.clone())); return r; });
    e.waitUntil(live.catch(() => null)); // the copy is kept even where the answer came too late
    const late = new Promise((done) => setTimeout(done, 3000)).then(() => cache.match(name));
    return (await Promise.race([live.catch(() => null), late])) || (await cache.match(name)) || live;
  })());
});
