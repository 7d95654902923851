'use strict';
(() => {
  const $ = id => document.getElementById(id);
  const VERSION = '{version}';
  /** Seconds that the trace shows, and the smallest range of it, in semitones. */
  const SPAN_S = 8, MIN_SPAN = 7;
  /** Cents from the middle of the meter to its ends; within the middle fifth it is in tune. */
  const REACH = 50, TRUE = 10;
  const LOWEST_DB = -80;
  /** Milliseconds without news after which the player is told, and after which it is tried anew. */
  const STALE = 1500, DEAD = 4000;
  /** Milliseconds within which an answer must come. */
  const ANSWER = 1500;
  const still = matchMedia('(prefers-reduced-motion: reduce)');

  let socket = null, tries = 0, retry = 0;
  let heard = 0, opened = false, reason = '';
  let number = 0;
  const waiting = new Map();
  let choices = null, readOnly = false, state = null;
  let trace = [], marks = [];
  const glass = [];

  // ---- The connection.

  function connect() {
    clearTimeout(retry);
    drop();
    opened = false;
    const mine = new WebSocket(`ws://${location.host}/live${location.search}`);
    socket = mine;
    mine.onopen = () => { opened = true; heard = performance.now(); };
    mine.onmessage = event => { if (socket === mine) hear(JSON.parse(event.data)); };
    mine.onclose = event => { if (socket === mine) ended(event.reason); };
  }

  function drop() {
    if (socket) { const old = socket; socket = null; old.close(); }
  }

  function ended(why) {
    socket = null;
    lose(why || (opened ? 'The connection was cut.' : reason || 'The program does not answer.'));
    // A page that is refused is not told why; an ordinary request is.
    if (!opened) {
      fetch(`/${location.search}`, { cache: 'no-store' })
        .then(answer => answer.status === 403 ? answer.text() : '')
        .then(text => { reason = text.replace('leadpipe: ', ''); if (!socket && reason) lose(reason); }, () => { reason = ''; });
    }
    tries += 1;
    clearTimeout(retry);
    retry = setTimeout(connect, Math.min(2000, 250 * 2 ** Math.min(tries, 3)));
  }

  function lose(why) {
    document.body.classList.add('cut');
    $('lost').hidden = false;
    write($('lost').querySelector('span'), `${why} It is tried again by itself.`);
    write($('ports'), 'Not connected');
    // What is lost must be seen.
    if ($('sheet').open) $('sheet').close();
    for (const [, ask] of waiting) { ask.button.removeAttribute('aria-busy'); say(`Not known whether it was done: ${ask.label}`); }
    waiting.clear();
    enable();
  }

  function live() {
    if (!document.body.classList.contains('cut') && $('lost').hidden) return;
    document.body.classList.remove('cut');
    $('lost').hidden = true;
    enable();
  }

  const connected = () => Boolean(socket && opened && !document.body.classList.contains('cut'));

  setInterval(() => {
    const now = performance.now(), silence = now - heard;
    if (socket && silence > DEAD && (opened || silence > 2 * DEAD)) { drop(); ended('No news came for some seconds.'); }
    else if (socket && opened && silence > STALE) lose(`Nothing has come for ${Math.round(silence / 1000)} s: what is shown is old.`);
    for (const [n, ask] of waiting) {
      if (now - ask.at < ANSWER) continue;
      waiting.delete(n);
      ask.button.removeAttribute('aria-busy');
      say(`No answer, perhaps not done: ${ask.label}`);
    }
  }, 250);
  addEventListener('online', () => { if (!socket) connect(); });
  document.addEventListener('visibilitychange', () => { if (!document.hidden && !socket) connect(); });

  // ---- What the player asks for.

  function ask(command, label, button, done = '') {
    if (!connected()) { say(`Not connected, not done: ${label}`); return; }
    number += 1;
    waiting.set(number, { at: performance.now(), label, button, done });
    button.setAttribute('aria-busy', 'true');
    socket.send(`${number} ${command}`);
  }

  let said = 0;
  function say(text) {
    write($('said'), text);
    clearTimeout(said);
    said = setTimeout(() => write($('said'), ''), 4000);
  }

  const press = (id, command, label, done) => $(id).addEventListener('click', event => ask(command(), label(), event.currentTarget, done));
  for (const id of ['panic', 'sheet-panic']) press(id, () => 'panic', () => 'Panic', 'Panic: everything is silent until the next attack');
  $('sheet-panic').addEventListener('click', () => $('sheet').close());
  press('mute', () => `mute ${state.muted ? 'off' : 'on'}`, () => state.muted ? 'Unmute' : 'Mute');
  press('record', () => `record ${state.recording_s === null ? 'on' : 'off'}`, () => state.recording_s === null ? 'Record' : 'End the take');
  press('mark', () => 'mark', () => 'Mark');
  for (const [id, commands, labels] of [['shift', ['down', 'up'], ['Shift down', 'Shift up']], ['voice', ['softer', 'louder'], ['Voice softer', 'Voice louder']]]) {
    $(id).querySelectorAll('button').forEach((button, i) => button.addEventListener('click', () => ask(commands[i], labels[i], button)));
  }

  function options(id) {
    if (!choices) return [];
    return id === 'source' ? choices.sources.map(s => [s, SOURCES[s] || s]) : choices[`${id}s`];
  }
  const SOURCES = { follow: 'Follow the horn', sequence: 'Step a sequence', draw: 'Draw from the tuning' };
  const TITLES = { horn: 'Horn', tuning: 'Tuning', source: 'Note source' };

  for (const id of ['horn', 'tuning', 'source']) {
    $(id).addEventListener('click', () => {
      sheet(TITLES[id], options(id).map(([name, title]) => {
        const button = document.createElement('button');
        button.type = 'button';
        button.textContent = title;
        button.dataset.name = name;
        button.setAttribute('aria-pressed', String(state[id] === name));
        button.addEventListener('click', () => { $('sheet').close(); ask(`${id} ${name}`, title, $(id)); });
        return button;
      }));
    });
  }

  $('ports').addEventListener('click', () => sheet('In and out', portLines().map(([text, bad]) => {
    const line = document.createElement('p');
    line.textContent = text;
    line.className = bad ? 'bad' : '';
    return line;
  })));

  function sheet(title, rows) {
    write($('sheet-title'), title);
    $('sheet-list').replaceChildren(...rows);
    $('sheet').showModal();
    // Not where the browser would put it: a key that is pressed twice must not be panic.
    ($('sheet-list').querySelector('[aria-pressed=true]') || $('sheet-close')).focus();
  }
  $('sheet-close').addEventListener('click', () => $('sheet').close());
  $('sheet').addEventListener('click', event => { if (event.target === $('sheet')) $('sheet').close(); });

  // ---- What the player sees.

  function hear(message) {
    heard = performance.now();
    tries = 0;
    if ('answer' in message) {
      const asked = waiting.get(message.answer);
      waiting.delete(message.answer);
      if (asked) asked.button.removeAttribute('aria-busy');
      if (message.problem || asked?.done) say(message.problem || asked.done);
    } else if (message.setup) {
      if (message.version !== VERSION) { location.reload(); return; }
      choices = message.setup;
      readOnly = message.read_only;
      show();
    } else {
      // The answers of a program that stood still are followed by its state.
      state = message;
      take();
      live();
      show();
    }
    enable();
  }

  function take() {
    // Stream time starts anew with each session.
    if (trace.length && trace[trace.length - 1][0] > state.now_s + 1) { trace = []; marks = []; }
    trace.push(...state.trace);
    const oldest = state.now_s - SPAN_S - 1;
    trace.splice(0, trace.findIndex(p => p[0] >= oldest) < 0 ? trace.length : trace.findIndex(p => p[0] >= oldest));
    for (const [at, kept] of state.marks) {
      marks.push(at);
      say(kept ? `Marked in the take at ${clock(state.recording_s)}` : 'Marked, but nothing is recorded: it is not kept');
    }
    marks = marks.filter(at => at >= oldest);
  }

  /** Only what differs is written: a screen reader and the browser are spared the rest. */
  function write(element, text) { if (element.textContent !== text) element.textContent = text; }
  function set(element, name, value) { if (element.getAttribute(name) !== String(value)) element.setAttribute(name, String(value)); }
  const clock = s => `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, '0')}`;
  const signed = v => v > 0 ? `+${v}` : v < 0 ? `−${-v}` : '0';

  let decided = 0, spoken = 0;

  function show() {
    if (!state) return;
    showNote();
    showLevel();
    const silent = state.finished ? 'THE SESSION HAS ENDED' : state.muted ? 'MUTED' : state.held_back ? 'SILENT until the next attack' : '';
    write($('silent'), silent);
    if ($('silent').hidden !== !silent) { $('silent').hidden = !silent; fit(); }
    pressed('mute', state.muted, state.muted ? 'Muted' : 'Mute');
    const on = state.recording_s !== null;
    pressed('record', on, 'Record');
    $('recording').hidden = !on;
    if (on) write($('recording'), clock(state.recording_s));
    const tempo = state.tempo;
    $('tempo').hidden = !tempo;
    if (tempo) {
      write($('tempo'), `♩ ${tempo.sure === null ? '' : '≈ '}${Math.round(tempo.bpm)}`);
      set($('tempo'), 'aria-label', `Tempo ${tempo.sure === null ? '' : 'about '}${Math.round(tempo.bpm)}`);
    }
    for (const id of ['horn', 'tuning', 'source']) {
      const found = options(id).find(([name]) => name === state[id]);
      const title = found ? found[1] : id === 'horn' && choices ? choices.horn_title : state[id] || '–';
      write($(id).querySelector('span'), title);
    }
    write($('shift').querySelector('span'), signed(state.shift));
    $('voice').hidden = !state.voice;
    if (state.voice) write($('voice').querySelector('span'), `${signed(Math.round(state.voice.level_db))} dB`);
    const bad = portLines().find(line => line[1]);
    const out = state.outputs.map(port => port.name).filter(name => !/^(recording|page|pedals) /.test(name));
    write($('ports'), bad ? bad[0] : out.length ? `Well: ${out.join(', ')}` : 'Nothing goes out');
    $('ports').classList.toggle('bad', Boolean(bad));
    draw();
    measure();
  }

  function pressed(id, on, text) {
    set($(id), 'aria-pressed', on);
    write($(id), text);
  }

  function showNote() {
    const note = state.note, box = $('note');
    if (note) {
      const [, letter, accidental, octave] = /^([A-G])([b#]?)(.*)$/.exec(note.written) || [0, note.written, '', ''];
      write($('letter'), letter);
      write($('accidental'), { b: '♭', '#': '♯' }[accidental] || '');
      write($('octave'), octave);
    }
    box.classList.toggle('rest', !note);
    const cents = note ? Math.round(note.cents) : null;
    const kind = cents === null ? 'none' : cents > TRUE ? 'sharp' : cents < -TRUE ? 'flat' : 'true';
    if ($('meters').className !== kind) $('meters').className = kind;
    write($('deviation'), cents === null ? '–' : signed(cents));
    write($('word'), { none: 'cents', sharp: 'sharp', flat: 'flat', true: 'in tune' }[kind]);
    const at = Math.max(-REACH, Math.min(REACH, cents || 0)) / REACH;
    document.querySelector('.needle').style.transform = `translateX(${47 * at}%)`;
    // Once a second is enough for ears.
    const now = performance.now();
    if (now - spoken > 1000) {
      spoken = now;
      const name = note && note.written.replace('b', ' flat ').replace('#', ' sharp ').replace(/ ?(\d)/, ' $1');
      const off = cents === null ? 'no note' : kind === 'true' ? `in tune, ${signed(cents)} cents` : `${Math.abs(cents)} cents ${kind}`;
      set(box, 'aria-label', note ? `${name}, ${off}` : 'No note sounds');
      set($('pitch'), 'aria-valuenow', cents || 0);
      set($('pitch'), 'aria-valuetext', off);
      const db = Math.round(levelNow());
      set($('level'), 'aria-valuenow', Math.max(LOWEST_DB, Math.min(0, db)));
      set($('level'), 'aria-valuetext', db < state.gate_db ? 'below the gate' : `${db} dBFS`);
    }
  }

  function levelNow() {
    return state.trace.length ? Math.max(...state.trace.map(p => p[2])) : trace.length ? trace[trace.length - 1][2] : -120;
  }

  function showLevel() {
    const share = db => Math.max(0, Math.min(1, 1 - db / LOWEST_DB));
    const db = levelNow();
    document.querySelector('.fill').style.transform = `scaleX(${share(db)})`;
    document.querySelector('.gate').style.transform = `translateX(${100 * share(state.gate_db)}%)`;
    $('level').classList.toggle('quiet', db < state.gate_db);
  }

  function portLines() {
    if (!state) return [];
    const line = (way, port) => {
      const lost = port.lost.map(([n, what]) => `, ${n} ${what}`).join('');
      return [`${port.error ? 'LOST ' : ''}${way} ${port.name}${port.error ? `: ${port.error}` : ''}${lost}`, Boolean(port.error)];
    };
    const lines = [line('in', state.input), ...state.outputs.map(port => line('out', port))];
    if (state.known_ms !== null) lines.push([`Known ${state.known_ms} ms after the attack${state.out_ms ? `, sound out ${state.out_ms} ms later` : ''}`, false]);
    if (state.tempo) lines.push([state.tempo.sure === null ? `Tempo ${state.tempo.bpm} by the clock` : `Tempo ${state.tempo.bpm} by your playing, ${Math.round(100 * state.tempo.sure)} % sure`, false]);
    if (glass.length) lines.push([`On this glass ${median()} ms after that`, false]);
    if (!state.realtime) lines.push(['No real-time priority', false]);
    if (readOnly) lines.push(['This page only shows', false]);
    return lines;
  }

  function enable() {
    const off = !connected() || readOnly || !state || state.finished;
    for (const button of $('controls').querySelectorAll('button')) {
      const alone = button.classList.contains('choice') && options(button.id).length < 2;
      if (button.disabled !== (off || alone)) button.disabled = off || alone;
    }
    $('sheet-panic').disabled = off;
  }

  // ---- From the decision to the glass: only where both have the same clock.

  const sameClock = ['localhost', '127.0.0.1', '[::1]'].includes(location.hostname);
  const painted = new MessageChannel();
  let due = null;
  painted.port1.onmessage = () => {
    if (due === null) return;
    glass.push(Date.now() - due);
    if (glass.length > 200) glass.shift();
    due = null;
  };
  function measure() {
    if (state.decided_ms === null || state.decided_ms === decided) return;
    const first = decided === 0;
    decided = state.decided_ms;
    // The first one may be older than this page.
    if (!sameClock || first) return;
    due = decided;
    // A message that is posted in a frame is received after it was painted.
    requestAnimationFrame(() => painted.port2.postMessage(0));
  }
  const median = () => Math.round([...glass].sort((a, b) => a - b)[glass.length >> 1]);

  // ---- The trace.

  const canvas = document.querySelector('canvas'), pen = canvas.getContext('2d');
  let colours = {}, drawn = 0;

  function draw() {
    const now = performance.now();
    if (still.matches && now - drawn < 1000) return;
    drawn = now;
    const box = canvas.getBoundingClientRect(), scale = devicePixelRatio || 1;
    if (box.height < 40) return;
    const width = Math.round(box.width * scale), height = Math.round(box.height * scale);
    if (canvas.width !== width || canvas.height !== height) { canvas.width = width; canvas.height = height; }
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, box.width, box.height);
    const pitches = trace.filter(p => p[1] !== null).map(p => p[1]);
    const low = pitches.length ? Math.min(...pitches) : 58, high = pitches.length ? Math.max(...pitches) : 62;
    const middle = (low + high) / 2, half = Math.max(high - low, MIN_SPAN) / 2 + 0.6;
    const top = 8, bottom = box.height - 8, left = 52;
    const y = pitch => top + (middle + half - pitch) / (2 * half) * (bottom - top);
    const x = at => box.width - (state.now_s - at) / SPAN_S * (box.width - left);
    const lines = choices ? choices.lines.filter(([pitch]) => Math.abs(pitch - middle) <= half) : [];
    // Names that would touch are left out.
    const size = 18, step = Math.max(1, Math.ceil(lines.length * (size + 2) / (bottom - top)));
    pen.font = `600 ${size}px system-ui, sans-serif`;
    pen.textBaseline = 'middle';
    lines.forEach(([pitch, name], i) => {
      const at = Math.round(y(pitch)) + 0.5;
      pen.fillStyle = colours.fine;
      pen.fillRect(left, at - 1, box.width - left, 2);
      if (i % step) return;
      pen.fillStyle = colours.ink;
      pen.fillText(name.replace('b', '♭').replace('#', '♯'), 2, at);
    });
    pen.fillStyle = colours.brass;
    for (const mark of marks) {
      const at = x(mark);
      if (at < left) continue;
      pen.fillRect(at - 1.5, top, 3, bottom - top);
      pen.beginPath();
      pen.moveTo(at - 10, 0); pen.lineTo(at + 10, 0); pen.lineTo(at, 14);
      pen.fill();
    }
    pen.strokeStyle = colours.ink;
    pen.lineWidth = 4;
    pen.lineJoin = pen.lineCap = 'round';
    pen.beginPath();
    let before = null;
    for (const [at, pitch] of trace) {
      if (pitch === null) { before = null; continue; }
      const to = [Math.max(left, x(at)), y(pitch)];
      // A slur is a corner, not a line across.
      if (before && Math.abs(before[2] - pitch) < 0.8 && x(at) > left) pen.lineTo(...to);
      else pen.moveTo(...to);
      before = [at, 0, pitch];
    }
    pen.stroke();
  }

  function repaint() {
    const style = getComputedStyle(document.documentElement);
    for (const name of ['ink', 'fine', 'brass']) colours[name] = style.getPropertyValue(`--${name}`);
    drawn = 0;
    if (state) draw();
  }

  /** The widest name, B flat 4, as large as its box: each name has the same size then. */
  function fit() {
    const box = $('note');
    const shown = ['letter', 'accidental', 'octave'].map(id => $(id).textContent);
    box.style.fontSize = '100px';
    ['B', '♭', '4'].forEach((text, i) => { $(['letter', 'accidental', 'octave'][i]).textContent = text; });
    const width = $('letter').offsetWidth + $('beside').offsetWidth + 8;
    ['letter', 'accidental', 'octave'].forEach((id, i) => { $(id).textContent = shown[i]; });
    box.style.fontSize = '0';
    const size = Math.min(box.clientHeight / 0.83, 100 * box.clientWidth / width);
    box.style.fontSize = `${Math.floor(size)}px`;
  }

  // ---- Light and dark.

  const dark = matchMedia('(prefers-color-scheme: dark)');
  function theme(chosen) {
    if (chosen) document.documentElement.dataset.theme = chosen;
    const now = document.documentElement.dataset.theme || (dark.matches ? 'dark' : 'light');
    write($('theme'), now === 'dark' ? 'Light' : 'Dark');
    set($('theme'), 'aria-label', now === 'dark' ? 'Light colours, for the sun' : 'Dark colours, for a dark stage');
    repaint();
    return now;
  }
  $('theme').addEventListener('click', () => {
    const next = theme() === 'dark' ? 'light' : 'dark';
    try { localStorage.setItem('theme', next); } catch { /* it is kept for this page alone */ }
    theme(next);
  });
  let kept = null;
  try { kept = localStorage.getItem('theme'); } catch { /* as above */ }
  theme(['light', 'dark'].includes(kept) ? kept : null);
  dark.addEventListener('change', () => theme());

  new ResizeObserver(() => { fit(); drawn = 0; if (state) draw(); }).observe($('now'));
  fit();
  enable();
  connect();
  // What a test of this page measures.
  window.stagePage = { glass, cut: () => { drop(); ended('Cut by a test.'); } };
})();
