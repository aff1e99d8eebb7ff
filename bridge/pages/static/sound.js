"use strict";
/* A soundcheck on the engineer's page: what it says, and a button for each word that it hears now.
   While something rises the page says twice a second that somebody is there to hear it ring. */
window.Sound = (function () {
  var make = Rail.make, talk = null, connected = false, rising = false, drawn = "", shown = null;
  var HERE_MS = 500;
  var WORDS = {
    go: "Go", ring: "It rings", silence: "Silence", next: "Next", back: "Back", again: "Again",
    tone: "Note its frequency", restore: "Restore the mix", quit: "Quit"
  };

  function one(id) { return document.getElementById(id); }

  function word(say) {
    var hz = one("sound-hz").value.trim();
    if ((say === "ring" || say === "tone") && hz) { say += " " + hz; one("sound-hz").value = ""; }
    talk.say("sound", say);
  }

  function buttons(words, inState) {
    var part = one("sound-words"), key = words.join(" ") + inState;
    if (key === drawn) { return; }
    var held = part.contains(document.activeElement) ? document.activeElement.dataset.word : null;
    drawn = key;
    part.textContent = "";
    words.forEach(function (say) {
      var made = make("button", say === "ring" ? "rings" : "", part);
      made.type = "button";
      made.dataset.word = say;
      made.textContent = say === "go" && inState === "ready to raise" ? "Go: raise it" : WORDS[say];
      made.disabled = !connected;
      made.addEventListener("click", function () { word(say); });
    });
    var wanted = rising ? "ring" : held;
    var focus = wanted && (part.querySelector('[data-word="' + wanted + '"]') ||
      part.querySelector("button"));
    if (focus) { focus.focus(); }
  }

  function draw(sound) {
    var on = sound !== null;
    rising = on && sound.rising;
    one("sound-before").hidden = on;
    one("sound-now").hidden = !on;
    if (!on) { drawn = ""; one("sound-words").textContent = ""; return; }
    var words = sound.pair ? sound.pair + (sound.level === null ? ": off"
      : ": " + Rail.text(sound.level) + " dB") : "";
    one("sound-state").textContent = sound.status.split(";")[0].split(":")[0];
    one("sound-pair").textContent = words;
    one("sound-part").classList.toggle("rising", rising);
    buttons(sound.words, sound.state);
  }

  function lines(rows) {
    var list = one("sound-lines"), text = rows.join("\n");
    if (text === shown) { return; }
    var before = shown === null ? [] : shown.split("\n");
    var goes = before.length && rows.length >= before.length &&
      before.every(function (row, at) { return row === rows[at]; });
    if (!goes) { list.textContent = ""; before = []; }
    rows.slice(before.length).forEach(function (row) {     // only what is new is read aloud
      make("li", "", list).textContent = row.replace(/`/g, "\u201c").replace(/\u201c(\w+)\u201c/g,
        "\u201c$1\u201d").replace(/-(?=\d)/g, "\u2212");
    });
    shown = text;
    list.scrollTop = list.scrollHeight;
  }

  setInterval(function () {
    if (rising && connected && document.visibilityState === "visible") { talk.say("here"); }
  }, HERE_MS);

  one("sound-begin").addEventListener("click", function () { talk.say("sound", "begin"); });
  one("sound-marks").addEventListener("click", function () { talk.say("sound", "marks"); });

  return {
    begin: function (given) {
      talk = given.talk;
      shown = null;
      drawn = "";
      one("sound-part").hidden = !given.plan.sounds;
      one("sound-lines").textContent = "";
    },
    news: function (given) {
      if ("soundlines" in given) { lines(given.soundlines); }
      if ("sound" in given) { draw(given.sound); }
    },
    enable: function (on) {
      connected = on;
      Array.prototype.forEach.call(one("sound-part").querySelectorAll("button, input"),
        function (each) { each.disabled = !on; });
    }
  };
}());
