// Keeps a page fresh without loading it anew, and says when the garden's computer is
// out of reach.
(function () {
  "use strict";
  var body = document.body, main = document.getElementById("content");
  var bar = document.querySelector(".connection");
  if (!main || !bar) return;
  if ("serviceWorker" in navigator && window.isSecureContext) {
    navigator.serviceWorker.register("/offline.js").catch(function () {});
  }
  if (!body.dataset.live || !window.EventSource || !window.fetch) return;

  var tag = null, busy = false, again = false, lastNews = new Date();

  // What stands in the way of a change: somebody writes, or reads a chart by key.
  function inUse() {
    var on = document.activeElement;
    var typed = Array.prototype.some.call(main.querySelectorAll("textarea"), function (it) {
      return it.value !== it.defaultValue;
    });
    return typed || (!!on && main.contains(on) && /^(INPUT|TEXTAREA|SELECT|svg)$/i.test(on.tagName));
  }

  // A name for a part that folds, which it keeps from one copy to the next.
  function name(details) {
    var article = details.closest("[id]"), summary = details.querySelector("summary");
    return (article ? article.id : "") + "/" + (summary ? summary.textContent : "");
  }

  function names(root) {
    var seen = {}, list = [];
    Array.prototype.forEach.call(root.querySelectorAll("details"), function (details) {
      var base = name(details);
      seen[base] = (seen[base] || 0) + 1;
      list.push([base + "#" + seen[base], details]);
    });
    return list;
  }

  function count(doc) {
    var ways = doc.querySelector(".ways");
    return ways ? Number(ways.dataset.alarms) : 0;
  }

  function take(text) {
    var doc = new DOMParser().parseFromString(text, "text/html");
    var fresh = doc.getElementById("content");
    if (!fresh) return;
    var more = count(doc) - count(document);
    var open = {};
    names(main).forEach(function (it) { open[it[0]] = it[1].open; });
    names(fresh).forEach(function (it) { if (open[it[0]]) it[1].open = true; });
    if (fresh.innerHTML !== main.innerHTML) {
      var focus = document.activeElement;
      var place = focus && main.contains(focus) ?
        Array.prototype.indexOf.call(main.querySelectorAll("a, button, summary"), focus) : -1;
      main.replaceChildren.apply(main, Array.prototype.slice.call(document.adoptNode(fresh).childNodes));
      if (place >= 0) {
        var back = main.querySelectorAll("a, button, summary")[place];
        if (back) back.focus({ preventScroll: true });
      }
      if (window.trugCharts) window.trugCharts(main);
    }
    var ways = document.querySelector(".ways"), now = doc.querySelector(".ways");
    if (ways && now && ways.innerHTML !== now.innerHTML) {
      ways.innerHTML = now.innerHTML;
      ways.dataset.alarms = now.dataset.alarms;
    }
    document.title = doc.title;
    if (more > 0) say(more === 1 ? "1 new alarm." : more + " new alarms.", "news");
    else if (bar.dataset.says !== "news") hush();
  }

  function say(text, kind) {
    bar.textContent = text;
    bar.dataset.says = kind;
    bar.hidden = false;
  }

  function hush() {
    bar.hidden = true;
    bar.textContent = "";
    delete bar.dataset.says;
  }

  function lost() {
    var since = lastNews.toLocaleTimeString("en-AU", { hour: "numeric", minute: "2-digit" });
    say("The garden's computer cannot be reached. This page is as it was at " + since +
      "; it will renew itself.", "lost");
  }

  function renew() {
    if (busy || inUse()) { again = true; return; }
    busy = true;
    again = false;
    var headers = { Accept: "text/html" };
    if (tag) headers["If-None-Match"] = tag;
    fetch(location.href, { headers: headers, cache: "no-store", credentials: "same-origin", redirect: "error" })
      .then(function (answer) {
        lastNews = new Date();
        if (answer.status === 304) return null;
        if (!answer.ok) throw new Error("status " + answer.status);
        tag = answer.headers.get("ETag");
        return answer.text();
      })
      .then(function (text) {
        if (bar.dataset.says === "lost") hush();
        if (text !== null) take(text);
      })
      .catch(lost)
      .then(function () {
        busy = false;
        if (again) setTimeout(renew, 2000);
      });
  }

  main.addEventListener("focusout", function () { if (again) setTimeout(renew, 200); });

  var source = null;
  function listen() {
    source = new EventSource(body.dataset.live);
    source.addEventListener("changed", renew);
    // Something may have changed between the page and its first event.
    source.onopen = renew;
    source.onerror = function () {
      // The server ends each stream after a while; only one that does not come back is
      // a loss. A refusal closes it for good.
      var closed = source.readyState === 2;
      setTimeout(function () {
        if (source.readyState !== 1) lost();
        if (closed) listen();
      }, 5000);
    };
  }
  listen();
  window.addEventListener("offline", lost);
  window.addEventListener("online", renew);
  document.addEventListener("visibilitychange", function () { if (!document.hidden) renew(); });
})();
