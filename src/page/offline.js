// Keeps the last copy of each page that was read, and shows it where the garden's
// computer cannot be reached. Forms, answers and the password's page are never kept.
"use strict";
var KEPT = "trug-VERSION_OF_TRUG";
var ASSETS = ["STYLE_OF_TRUG", "SCRIPT_OF_TRUG", "LESSON_OF_TRUG"];
var PAGES_MAX = 60;
// A computer that is away may leave a browser waiting for minutes.
var WAIT_MS = 8000;

self.addEventListener("install", function (event) {
  event.waitUntil(caches.open(KEPT).then(function (kept) { return kept.addAll(ASSETS); })
    .then(function () { return self.skipWaiting(); }));
});

self.addEventListener("activate", function (event) {
  event.waitUntil(caches.keys().then(function (names) {
    return Promise.all(names.filter(function (name) { return name !== KEPT; }).map(function (name) {
      return caches.delete(name);
    }));
  }).then(function () { return self.clients.claim(); }));
});

function isPage(url) {
  return url.pathname === "/" || /^\/site\/[a-z0-9-]+(\/(bed|tank)\/[a-z0-9-]+|\/rain|\/places|\/more|\/care|\/jobs|\/log|\/handover|\/alarms|\/sensors|\/month(\/[0-9-]+)?)?$/.test(url.pathname);
}

function keep(request, answer) {
  // Which page it is without how it was asked for: a span of a chart is part of it.
  return answer.text().then(function (text) {
    var headers = { "Content-Type": "text/html; charset=utf-8", "X-Kept-At": new Date().toISOString() };
    var policy = answer.headers.get("Content-Security-Policy");
    if (policy) headers["Content-Security-Policy"] = policy;
    // No form is kept: it may hold what proves who sends it, and none is sent from a copy.
    text = text.replace(/<form[\s\S]*?<\/form>/g, "");
    return caches.open(KEPT).then(function (kept) {
      // Deleted first, so that the oldest are those not looked at for longest.
      return kept.delete(request.url).then(function () {
        return kept.put(request.url, new Response(text, { headers: headers }));
      }).then(function () {
        return kept.keys();
      }).then(function (all) {
        var pages = all.filter(function (it) { return isPage(new URL(it.url)); });
        return Promise.all(pages.slice(0, Math.max(0, pages.length - PAGES_MAX)).map(function (it) {
          return kept.delete(it);
        }));
      });
    });
  });
}

function shown(text, at) {
  // The page's own words for its moment are in the garden's time; they are HTML already.
  var asOf = /data-as-of="([^"]*)"/.exec(text);
  var when = asOf ? "at " + asOf[1] : "on " +
    new Date(at).toLocaleString("en-AU", { weekday: "long", day: "numeric", month: "long", hour: "numeric", minute: "2-digit" });
  var bar = '<p class="offline" role="status">The garden\'s computer cannot be reached. This is how it stood ' +
    when + ". Look at the garden and the tank yourself.</p>";
  return text.replace("<main", bar + "<main");
}

function page(title, words) {
  return '<!DOCTYPE html><html lang="en-AU"><head><meta charset="utf-8"><meta name="viewport" ' +
    'content="width=device-width, initial-scale=1"><title>' + title + '</title><link rel="stylesheet" href="' +
    ASSETS[0] + '"></head><body><main id="content"><h1>' + title + "</h1>" + words + "</main></body></html>";
}

function whatIsLeft(request) {
  return caches.open(KEPT).then(function (kept) {
    return kept.match(request.url).then(function (found) {
      if (found) {
        return found.text().then(function (text) {
          return new Response(shown(text, found.headers.get("X-Kept-At")), { headers: found.headers });
        });
      }
      return kept.keys().then(function (all) {
        var links = all.map(function (it) { return new URL(it.url); }).filter(isPage).map(function (url) {
          return '<li><a href="' + url.pathname + '">' + url.pathname + "</a></li>";
        });
        var words = "<p>The garden's computer cannot be reached, and this page was never read here. Look at the " +
          "garden and the tank yourself, and try again in a minute.</p>" +
          (links.length ? "<p>Kept from before:</p><ul>" + links.join("") + "</ul>" : "");
        return new Response(page("Out of reach", words), {
          status: 503, headers: { "Content-Type": "text/html; charset=utf-8" }
        });
      });
    });
  });
}

function inTime(request) {
  return new Promise(function (resolve, reject) {
    var timer = setTimeout(function () { reject(new Error("no answer in time")); }, WAIT_MS);
    fetch(request).then(resolve, reject).then(function () { clearTimeout(timer); });
  });
}

self.addEventListener("fetch", function (event) {
  var request = event.request, url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method === "POST" && url.pathname === "/leave") {
    event.waitUntil(caches.delete(KEPT));
    return;
  }
  if (request.method !== "GET") return;
  // Who is asked for the password has not entered, or not any more.
  if (url.pathname === "/enter") {
    event.waitUntil(caches.delete(KEPT));
    return;
  }
  if (ASSETS.indexOf(url.pathname + url.search) >= 0) {
    event.respondWith(caches.match(request).then(function (found) { return found || fetch(request); }));
    return;
  }
  // Opened, or asked for again by the page that stands open.
  var opens = request.mode === "navigate";
  if (!opens && request.headers.get("Accept") !== "text/html") return;
  event.respondWith((opens ? inTime(request) : fetch(request)).then(function (answer) {
    if (answer.status === 401 || answer.status === 403) event.waitUntil(caches.delete(KEPT));
    var html = (answer.headers.get("Content-Type") || "").indexOf("text/html") === 0;
    if (answer.ok && !answer.redirected && html && isPage(url)) event.waitUntil(keep(request, answer.clone()));
    return answer;
  }, function (fault) {
    if (!opens) throw fault;
    return whatIsLeft(request);
  }));
});
