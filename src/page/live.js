// Keeps a page fresh without loading it again, and says when the garden's computer is
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

  // A copy that the worker kept: it does not know when it became old.
  var isCopy = document.querySelector(".offline") !== null;
  // What the page itself is known by; asked for again, it comes only if it is another.
  var tag = body.dataset.tag && !isCopy ? '"' + body.dataset.tag + '"' : null;
  var busy = false, again = false;

  // Whether a field holds something else than the page was made with.
  function isChanged(field) {
    if (field.type === "hidden") return false;
    if (/^(checkbox|radio)$/.test(field.type)) return field.checked !== field.defaultChecked;
    if (field.tagName !== "SELECT") return field.value !== field.defaultValue;
    var chosen = 0;
    Array.prototype.forEach.call(field.options, function (it, at) { if (it.defaultSelected) chosen = at; });
    return field.selectedIndex !== chosen;
  }

  // What stands in the way of a change: somebody writes, or reads a chart by key.
  function inUse() {
    var on = document.activeElement;
    return Array.prototype.some.call(main.querySelectorAll("input, textarea, select"), isChanged) ||
      (!!on && main.contains(on) && (/^(INPUT|TEXTAREA|SELECT)$/.test(on.tagName) || !!on.closest(".panels")));
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

  // The open alarms of a page.
  function alarms(doc) {
    var ways = doc.querySelector(".ways");
    return ways && ways.dataset.open ? ways.dataset.open.split(" ") : [];
  }

  function howMany(number, one, many) {
    return number ? (number === 1 ? one : number + many) : "";
  }

  function take(text) {
    var doc = new DOMParser().parseFromString(text, "text/html");
    var fresh = doc.getElementById("content");
    if (!fresh) return;
    var before = alarms(document), after = alarms(doc);
    var come = after.filter(function (it) { return before.indexOf(it) < 0; }).length;
    var gone = before.filter(function (it) { return after.indexOf(it) < 0; }).length;
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
    }
    if (ways && now) {
      ["alarms", "open", "asOf"].forEach(function (it) { ways.dataset[it] = now.dataset[it]; });
    }
    document.title = doc.title;
    var words = [howMany(come, "1 new alarm.", " new alarms."), howMany(gone, "1 alarm is over.", " alarms are over.")];
    words = words.filter(Boolean).join(" ");
    if (words) say(words, "news");
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
    // A copy says so itself.
    if (isCopy) return;
    var ways = document.querySelector(".ways");
    say("The garden's computer cannot be reached." +
      (ways ? " This page is as it was at " + ways.dataset.asOf + "; it" : " This page") +
      " will renew itself. Until then, look at the garden and the tank yourself.", "lost");
  }

  function found() {
    if (/^(lost|refused)$/.test(bar.dataset.says || "")) hush();
    if (!isCopy) return;
    isCopy = false;
    var old = document.querySelector(".offline");
    if (old) old.remove();
  }

  function renew() {
    if (busy || inUse()) { again = true; return; }
    busy = true;
    again = false;
    var headers = { Accept: "text/html" };
    if (tag) headers["If-None-Match"] = tag;
    fetch(location.href, { headers: headers, cache: "no-store", credentials: "same-origin", redirect: "manual" })
      .then(function (answer) {
        if (answer.type === "opaqueredirect" || answer.status === 401 || answer.status === 403) {
          say("The password is needed again to see what is new. Load this page again.", "refused");
          return;
        }
        if (answer.status === 304) { found(); return; }
        if (!answer.ok) throw new Error("status " + answer.status);
        return answer.text().then(function (text) {
          found();
          // Somebody may have begun to write since it was asked for.
          if (inUse()) { again = true; return; }
          tag = answer.headers.get("ETag");
          take(text);
        });
      })
      .catch(lost)
      .then(function () {
        busy = false;
        if (again) setTimeout(renew, 2000);
      });
  }

  main.addEventListener("focusout", function () { if (again) setTimeout(renew, 200); });

  // Longer than two beats: a line may break without a word.
  var SILENCE = 40000, RETRY = 5000, MINUTE = 60000;
  var source = null, heard = 0, asked = Date.now();

  function hear() { heard = Date.now(); }

  function listen() {
    if (source) source.close();
    hear();
    source = new EventSource(body.dataset.live);
    source.addEventListener("beat", hear);
    source.addEventListener("changed", function () { hear(); renew(); });
    // Something may have changed between the page and its first event.
    source.onopen = function () { hear(); renew(); };
  }

  // The page itself tells whether the computer is there: the server ends each stream
  // after a while, and it may refuse one more listener while it answers all else.
  setInterval(function () {
    var silent = Date.now() - heard > SILENCE;
    var closed = source.readyState === 2;
    if (source.readyState === 1 && !silent) return;
    var away = isCopy || bar.dataset.says === "lost";
    if (Date.now() - asked < (closed && !away ? MINUTE : RETRY)) return;
    asked = Date.now();
    if (closed || silent) listen();
    renew();
  }, 1000);

  listen();
  window.addEventListener("offline", lost);
  window.addEventListener("online", renew);
  window.addEventListener("pagehide", function () { source.close(); });
  window.addEventListener("pageshow", function (event) { if (event.persisted) listen(); });
  document.addEventListener("visibilitychange", function () { if (!document.hidden) renew(); });
})();
