"use strict";
/* Learning a control: what to do at it, what it was taken for, one question after another. */
window.Learn = (function () {
  var make = Rail.make, talk = null, plan = null, nodes = {}, drawn = "", connected = false;

  function begin(given) {
    talk = given.talk;
    plan = given.plan;
    var part = document.getElementById("learn-part");
    part.hidden = !plan.learns || plan.learns.length === 0;
    nodes.body = nodes.body || make("div", "", part);
    drawn = "";
  }

  function button(parent, words, deed, label) {
    var made = make("button", "", parent);
    made.type = "button";
    made.textContent = words;
    if (label) { made.setAttribute("aria-label", label); }
    made.disabled = !connected;
    made.addEventListener("click", deed);
    return made;
  }

  function line(parent, words, kind) {
    var made = make("p", kind || "", parent);
    made.textContent = words;
    return made;
  }

  function say(word, number, amount) {
    talk.say("learn", word, number === undefined ? null : number,
             amount === undefined ? null : amount);
  }

  /* Nothing is learned: a button for each controller. */
  function idle(lesson) {
    if (lesson.over) { line(nodes.body, lesson.over, "alarm").setAttribute("role", "status"); }
    line(nodes.body, "Move a control, say what it shall do, and its map gets the entry. " +
      "Meanwhile that controller does not move the mix; silence all always works.", "quiet small");
    var list = make("ul", "", nodes.body);
    plan.learns.forEach(function (each, number) {
      button(make("li", "", list), each[0] + " (" + each[1] + ")",
             function () { say("begin", number); }, "Learn a control of " + each[0]);
    });
  }

  function answers(lesson) {
    line(nodes.body, lesson.question, "asked");
    var list = make("ul", "", nodes.body);
    lesson.answers.forEach(function (each, number) {
      var item = make("li", "", list), amount = null;
      button(item, each[0], function () {
        var value = amount && amount.value !== "" ? Number(amount.value) : null;
        say("pick", number, value !== null && isFinite(value) ? value : null);
      });
      if (each[1]) {
        amount = make("input", "", item);
        amount.type = "number";
        amount.step = "0.5";
        amount.setAttribute("aria-label", "dB or value; empty for the usual: " + each[0]);
      }
    });
  }

  function found(lesson) {
    var first = lesson.found[lesson.taken === null ? 0 : lesson.taken];
    line(nodes.body, "This is " + first[0] + " (" + first[1] + ").");
    first[2].forEach(function (note) { line(nodes.body, "Note: " + note + ".", "small"); });
    if (lesson.step === "done" || lesson.found.length < 2) { return; }
    var others = make("details", "", nodes.body), list;
    make("summary", "", others).textContent = "It is something else";
    list = make("ul", "", others);
    lesson.found.forEach(function (each, number) {
      if (each === first) { return; }
      button(make("li", "", list), each[0], function () { say("is", number); });
    });
  }

  function deeds(lesson) {
    var row = make("div", "line", nodes.body);
    if (lesson.step === "watching" && (lesson.heard > 0 || lesson.found.length > 0)) {
      button(row, "That is all", function () { say("still"); },
             "The movement is over; or: it is the first of what was found");
    }
    if (lesson.complete) { button(row, "Write it", function () { say("write"); }); }
    if (lesson.step === "trying" || lesson.step === "done") {
      button(row, "Something else for it", function () { say("back"); });
    }
    button(row, "Another control", function () { say("again"); });
    button(row, "End", function () { say("end"); }, "End learning: the controller mixes again");
    var through = button(row, "Let it mix too", function () {
      say("through", lesson.through ? 0 : 1);
    }, "Its movements move the mix as well");
    through.setAttribute("aria-pressed", lesson.through ? "true" : "false");
  }

  function draw(lesson) {
    nodes.body.textContent = "";
    if (!lesson.controller) { idle(lesson); return; }
    line(nodes.body, lesson.controller + (lesson.person ? " for " + lesson.person : ""), "of");
    if (lesson.busy) {
      line(nodes.body, "One moment \u2026").setAttribute("role", "status");
      button(make("div", "line", nodes.body), "End", function () { say("end"); });
      return;
    }
    if (lesson.asks) { line(nodes.body, plain(lesson.asks)).setAttribute("role", "status"); }
    if (lesson.found.length) { found(lesson); }
    lesson.remarks.forEach(function (words) { line(nodes.body, plain(words), "alarm"); });
    if (lesson.question) { answers(lesson); }
    if (lesson.entry) { make("pre", "small", nodes.body).textContent = lesson.entry; }
    nodes.does = line(nodes.body, lesson.does);
    nodes.does.setAttribute("role", "status");
    deeds(lesson);
  }

  /* What is meant for a keyboard is left out. */
  function plain(words) {
    return words.split(". ").filter(function (each) {
      return each.indexOf("`write`") < 0;
    }).join(". ").replace(/`/g, "\u201d");
  }

  function news(fresh, all) {
    if (!plan || !("learn" in fresh)) { return; }
    var lesson = all.learn, does = lesson.does, rest;
    lesson.heard = lesson.heard > 0 ? 1 : 0;     // the buttons must not jump with each message
    rest = JSON.stringify(lesson, function (key, value) { return key === "does" ? "" : value; });
    if (rest === drawn) {
      if (nodes.does && nodes.does.textContent !== does) { nodes.does.textContent = does || ""; }
      return;
    }
    drawn = rest;
    draw(lesson);
  }

  function enable(on) {
    connected = on;
    if (nodes.body) {
      Array.prototype.forEach.call(nodes.body.querySelectorAll("button"), function (each) {
        each.disabled = !on;
      });
    }
  }

  return { begin: begin, news: news, enable: enable };
}());
