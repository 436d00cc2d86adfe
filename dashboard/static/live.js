// Keeps the page live: puts pieces drawn on the rig in the place of older ones,
// says when the rig is out of reach, and takes values that grew too old off the
// page. Nothing here is needed for reading.
(function () {
  'use strict';
  var here = document.currentScript.src; // of several rigs each has its paths under its own
  function path(name) {
    var u = new URL(name, here);
    return u.pathname + u.search;
  }
  var feed = document.documentElement.dataset.stream || 'live'; // a page may have a stream of its own
  var SILENT = 10000;  // ms without a word: cut off (the rig speaks every 3 s)
  var AGAIN = 5000;    // ms between tries
  var told = document.getElementById('told');
  var clock = document.getElementById('clock');
  var stream = null, heard = Date.now(), tried = 0, cut = false;
  var due = {}, born = {}; // until when a value may be shown and when it was heard, by its name, ms
  var at = clock.textContent;
  var all = !!document.getElementById('rigs'); // the page is of all rigs

  function say(text, loud) {
    if (told.textContent !== text) told.textContent = text;
    told.className = loud ? 'cut' : '';
  }

  function ago(s) {
    return s < 120 ? Math.floor(s) + '\u00a0s' : s < 7200 ? Math.floor(s / 60) + '\u00a0min' : Math.floor(s / 3600) + '\u00a0h';
  }

  function age() {
    var now = Date.now(), run = document.getElementById('run');
    ['flow', 'tote', 'signal'].forEach(function (name) { // what is drawn of an old value goes with it
      if (run) run.classList.toggle('no-' + name, now > due[name]);
    });
    document.querySelectorAll('[data-live]').forEach(function (el) {
      var until = due[el.dataset.live];
      if (until === undefined) return;
      if (now > until && el.fresh === undefined) {
        el.fresh = el.textContent;
        el.classList.add('old');
      } else if (now <= until && el.fresh !== undefined) {
        el.textContent = el.fresh;
        el.fresh = undefined;
        el.classList.remove('old');
      }
      if (el.fresh !== undefined) el.textContent = 'not heard for ' + ago((now - born[el.dataset.live]) / 1000);
    });
  }

  function lost() {
    if (!cut) {
      cut = true;
      say('▲ Cut off from the rig' + (all ? 's' : '') + ' since ' + at + '. What stands here is from then.', true);
    }
  }

  // A piece that holds buttons or links keeps what a hand or a keyboard is at: the
  // focus goes to the same one, and nothing moves away from under a finger: any
  // piece above would push the buttons below it.
  var late = {}, down = 0; // since when a finger is down, ms; 0: it is not
  var HELD = 4000; // ms: a finger that rests longer taps nothing
  function put(id, html) {
    var el = document.getElementById(id), at = document.activeElement;
    if (!el || el.drawn === html) return;
    if (down && (Date.now() - down < HELD || el.querySelector('button'))) {
      late[id] = html;
      return;
    }
    var same = el.contains(at) && (at.name || at.getAttribute('href')), found = false;
    el.innerHTML = html;
    el.drawn = html;
    if (!same) return;
    el.querySelectorAll('button').forEach(function (b) {
      if (b.name === at.name && b.value === at.value && ['form', 'formaction'].every(function (a) { return b.getAttribute(a) === at.getAttribute(a); })) {
        b.focus({preventScroll: true});
        found = true;
      }
    });
    el.querySelectorAll('a').forEach(function (a) {
      if (a.getAttribute('href') === at.getAttribute('href')) {
        a.focus({preventScroll: true});
        found = true;
      }
    });
    if (!found) { // it says something else now: nothing is pressed by mistake, and the next Tab goes on from here
      el.tabIndex = -1;
      el.focus({preventScroll: true});
    }
  }
  function up() {
    setTimeout(function () { // after the click
      var was = late, id;
      down = 0;
      late = {};
      for (id in was) put(id, was[id]);
    }, 50);
  }
  document.addEventListener('pointerdown', function () { down = Date.now(); });
  document.addEventListener('pointerup', up);
  document.addEventListener('pointercancel', up);

  function open() {
    if (stream) stream.close();
    tried = Date.now();
    stream = new EventSource(path(feed));
    stream.addEventListener('part', function (e) {
      var p = JSON.parse(e.data);
      delete late[p.id];
      put(p.id, p.html);
    });
    stream.addEventListener('beat', function (e) {
      var b = JSON.parse(e.data), name;
      if (b.version !== document.documentElement.dataset.version) {
        location.reload();
        return;
      }
      heard = Date.now();
      at = b.clock;
      clock.textContent = at.slice(0, 5);
      due = {};
      for (name in b.left) {
        due[name] = heard + b.left[name] * 1000;
        born[name] = heard - b.age[name] * 1000;
      }
      cut = false;
      say('Connected to the rig' + (all ? 's.' : '.'), false);
      age();
      if (b.ask) tellTime();
    });
    stream.onerror = function () {
      lost();
      if (this.readyState === 2 && window.fetch) { // answered, and refused: is it that the rig no longer knows this device?
        fetch(path(feed), {method: 'HEAD', cache: 'no-store'}).then(function (a) { if (a.status === 401) location.reload(); }, function () {});
      }
    };
  }

  // Tells the rig the time: it measures when the rig answered, by this device's
  // clock, and sends the best of a few tries. The rig takes it if it knows none better.
  var asked = -Infinity; // when, by performance.now()
  function tellTime() {
    if (!window.fetch || performance.now() - asked < 600000 || !document.querySelector('[data-in]')) return;
    asked = performance.now();
    var best = null;
    function once(left) {
      var t0 = performance.now();
      return fetch(path('clock'), {cache: 'no-store'}).then(function (a) {
        if (!a.ok) throw a.status;
        var t1 = performance.now(), utc = Date.now() - (t1 - t0) / 2;
        return a.json().then(function (b) {
          if (!best || t1 - t0 < best.rtt) best = {rtt: t1 - t0, utc: utc, boot: b.boot, mono: b.mono_ns};
          if (left > 1) return once(left - 1);
        });
      });
    }
    once(4).then(function () {
      return fetch(path('clock'), {method: 'POST', body: new URLSearchParams({
        boot: best.boot, mono_ns: best.mono, utc_ms: Math.round(best.utc), rtt_ms: Math.ceil(best.rtt)})});
    }).then(function (a) {
      if (!a.ok) throw a.status;
      return a.json();
    }).then(function (b) {
      if (b.text) document.getElementById('said').textContent = b.text;
    }).catch(function () { asked += 540000; }); // again in a minute
  }

  function watch() {
    var now = Date.now();
    if (now - heard > SILENT) lost();
    if ((cut || stream.readyState === 2) && now - tried > AGAIN) open();
    age();
  }

  open();
  setInterval(watch, 1000);
  document.addEventListener('visibilitychange', function () {
    if (!document.hidden) watch();
  });
  window.addEventListener('pagehide', function () { stream.close(); });
  window.addEventListener('pageshow', function (e) { if (e.persisted) location.reload(); }); // its forms have been sent once
})();
