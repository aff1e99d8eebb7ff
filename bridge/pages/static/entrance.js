"use strict";
/* Joining by code, and signing in. A QR code carries the code behind the #, which no server and no
   log ever sees; it fills the field in, and a press of the button uses it. */
(function () {
  function one(id) { return document.getElementById(id); }

  function say(where, words) { one(where).textContent = words; }

  function post(path, data, where) {
    say(where, "One moment \u2026");
    fetch(path, {
      method: "POST",
      credentials: "same-origin",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(data)
    }).then(function (answer) {
      return answer.json().catch(function () { return {}; });
    }).then(function (data) {
      if (data.go) { location.replace(data.go); return; }
      say(where, data.words || "The bridge did not understand this. Try again.");
    }).catch(function () {
      say(where, "The bridge does not answer. Is this device on its network?");
    });
  }

  one("join").addEventListener("submit", function (event) {
    event.preventDefault();
    post("/join", { code: one("code").value }, "join-said");
  });
  one("sign-in").addEventListener("submit", function (event) {
    event.preventDefault();
    post("/sign-in", { passphrase: one("passphrase").value }, "sign-said");
  });

  function arrive() {
    var behind = decodeURIComponent(location.hash.slice(1));
    if (behind === "engineer") {
      one("desk").open = true;
      one("passphrase").focus();
    } else if (behind === "out") {
      say("join-said", "This device is signed out. Ask for a new code.");
    } else if (behind) {
      one("code").value = behind.slice(0, 12);
      say("join-said", "This code came with the QR code. Press Join.");
      one("join").querySelector("button").focus();
    } else {
      one("code").focus();
    }
    if (behind) { history.replaceState(null, "", location.pathname); }
  }
  arrive();
  window.addEventListener("hashchange", function () { if (location.hash) { arrive(); } });
}());
