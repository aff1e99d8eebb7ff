"use strict";
/* The page's talk with the bridge: latest values in, wishes out. It comes back by itself, and while
   it is away nothing can be touched and the page says so. */
window.Talk = (function () {
  var DEAD_MS = 6500;       // three signs of life that did not come
  var FIRST_MS = 250, MOST_MS = 3000;

  function open(path, hear) {
    var socket = null, wait = FIRST_MS, timer = 0, heard = 0, ready = false, opened = 0;
    var cut = document.getElementById("cut");
    var values = {};

    function connect() {
      clearTimeout(timer);
      timer = 0;
      var scheme = location.protocol === "https:" ? "wss://" : "ws://";
      var mine = new WebSocket(scheme + location.host + path);
      socket = mine;
      opened = Date.now();
      mine.onmessage = function (event) {
        if (socket === mine) { take(JSON.parse(event.data)); }
      };
      mine.onclose = function (event) { if (socket === mine) { lost(event); } };
    }

    function take(data) {
      heard = Date.now();
      if (data.plan) {
        values = {};
        hear.plan(data.plan);
        return;
      }
      Object.keys(data["new"]).forEach(function (key) { values[key] = data["new"][key]; });
      hear.news(data["new"], values);
      if (!ready) {
        ready = true;
        wait = FIRST_MS;
        show("");
      }
    }

    function lost(event) {
      socket = null;
      ready = false;
      if (event && event.code === 4401) { location.replace("/#out"); return; }
      var words = "Not connected. Nothing that you touch is sent. Trying again \u2026";
      if (event && event.code === 4429) {
        wait = MOST_MS;
        words = "Too many pages are open on this device. Close one of them.";
      }
      if (event && event.code === 4400) { wait = MOST_MS; }
      show(words);
      timer = setTimeout(connect, wait * (0.75 + Math.random() / 2));
      wait = Math.min(MOST_MS, wait * 1.7);
    }

    function show(words) {
      var away = words !== "";
      cut.textContent = words;
      cut.hidden = !away;
      document.body.classList.toggle("cut", away);
      hear.connected(!away);
    }

    function watch() {
      var still = Date.now() - Math.max(heard, opened);
      if (socket && still > DEAD_MS) {
        var dead = socket;
        socket = null;
        dead.close();
        lost(null);
      }
    }

    function again() {
      if (document.visibilityState === "hidden") { return; }
      watch();
      if (!socket) { wait = FIRST_MS; connect(); }
    }

    setInterval(watch, 1000);
    document.addEventListener("visibilitychange", again);
    window.addEventListener("online", again);
    window.addEventListener("pageshow", again);
    show("Connecting \u2026");
    connect();
    return {
      say: function () {
        if (!ready || !socket || socket.readyState !== 1) { return false; }
        socket.send(JSON.stringify(Array.prototype.slice.call(arguments)));
        return true;
      },
      ready: function () { return ready; }
    };
  }

  function leave(page) {
    return fetch("/leave", {
      method: "POST",
      credentials: "same-origin",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ page: page })
    }).then(function () { location.replace("/"); });
  }

  return { open: open, leave: leave };
}());
