// SPDX-License-Identifier: GPL-3.0-or-later
//
// The live event stream. It comes back by itself: the browser reconnects after
// a dropped line; a stream the browser gave up, or one without a word for too
// long, is replaced here.

const EVENTS = ['reading', 'power-up', 'verdict', 'supply', 'run', 'heartbeat'];

export class LiveStream {
  // heard(name, data) for each event; changed(open) when the stream opens or is
  // lost. silence_ms: without any event for so long the stream counts as lost;
  // events: those to hear.
  constructor(url, { heard, changed, silence_ms = 10000, Source = EventSource, events = EVENTS }) {
    this.url = url;
    this.events = events;
    this.heard = heard;
    this.changed = changed;
    this.silence_ms = silence_ms;
    this.Source = Source;
    this.open = null; // null: not yet known
    this.tries = 0;
    this.wait = null;
    this.connect();
    this.watch = setInterval(() => this.check(), 500);
  }

  connect() {
    clearTimeout(this.wait);
    this.wait = null;
    this.source?.close();
    const source = new this.Source(this.url);
    this.source = source;
    this.heardAt = performance.now();
    source.addEventListener('open', () => {
      this.tries = 0;
      this.heardAt = performance.now();
      this.become(true);
    });
    source.addEventListener('error', () => {
      if (source !== this.source) return;
      this.become(false);
      if (source.readyState === this.Source.CLOSED) this.again();
    });
    for (const name of this.events) {
      source.addEventListener(name, (event) => {
        this.heardAt = performance.now();
        this.heard(name, JSON.parse(event.data));
      });
    }
  }

  // Another try, later each time: 0.5 s, 1 s, 2 s, 4 s.
  again() {
    if (this.wait !== null) return;
    this.wait = setTimeout(() => this.connect(), 500 * 2 ** Math.min(this.tries, 3));
    this.tries++;
  }

  check() {
    if (this.wait !== null || performance.now() - this.heardAt < this.silence_ms) return;
    this.become(false);
    this.connect();
  }

  become(open) {
    if (open === this.open) return;
    this.open = open;
    this.changed(open);
  }

  close() {
    clearInterval(this.watch);
    clearTimeout(this.wait);
    this.source.close();
  }
}
