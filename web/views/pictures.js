// SPDX-License-Identifier: GPL-3.0-or-later
//
// What the ticket shows, composed from what the page knows. Pure but for the
// references it asks for; an old verdict is never put where the live one goes.

import { phaseRows } from '../lib/phase_match.js';
import { doingWords, strongHead, strongWords } from '../lib/outputs.js';
import { envelopeOf, isRangeOnly } from '../lib/references.js';
import { BEFORE_ONSET_S, endedAt_ms } from '../lib/supply_watch.js';
import { amperes, clockTime, counted, day, instant, volts } from '../lib/words.js';
import { drawOf, factsOf, nowFacts, reasonsOf } from './verdict.js';

const QUIET_S = 10;
const LONGEST_COPY_S = 120;

// know: {watch, copy, copyId, copyProblem, references, standing, lostSince_ms,
// clockOffset_ms, trouble, type: the module type on the bench or null, now_ms, wall_ms}
export function benchPicture(know) {
  if (know.copyId !== null) return copyPicture(know);
  return livePicture(know);
}

// --- an earlier power-up ---

function copyPicture(know) {
  const { copy, references } = know;
  if (copy === null) {
    const sentence = know.copyProblem ? `It could not be fetched: ${know.copyProblem}`
      : 'Fetching it from the store.';
    return sheet({
      copyText: 'Earlier power-up',
      verdict: notice('Earlier', 'plain', sentence, { copy: true }),
      onBench: {},
    });
  }
  const { item, phases, run } = copy;
  const asked = references.of(item.module_type, item.reference_version ?? null);
  const verdict = item.verdict ?? null;
  const to_s = copyEnd(phases, run, asked.reference);
  const rows = phaseRows(phases, asked.reference?.phases);
  return sheet({
    copyText: `Earlier power-up: ${whenWas(item.started_at, 'today, ')}`,
    number: item.id,
    verdict: verdict
      ? judged(item, verdict, true, asked.reference, { copy: true })
      : notice('None', 'plain', 'This power-up ended without a verdict.', { copy: true }),
    onBench: item,
    phases: rows,
    suspect: suspectOf(verdict),
    caption: captionOf(item, asked),
    trace: {
      readings: run, shift_s: 0, from_s: -BEFORE_ONSET_S, to_s,
      envelope: envelopeOf(asked.reference), phases: numbered(rows),
      decided_at_s: verdict?.decided_at_s ?? null, quiet: false, paper: 'copy',
    },
    title: `${clockTime(item.started_at)}, earlier`,
  });
}

// A copy shows the watch; the on-time log behind it may be hours.
function copyEnd(phases, run, reference) {
  const ends = [reference?.watch_s, phases.at(-1)?.to_s].filter((s) => s > 0);
  const end_s = ends.length > 0 ? Math.max(...ends) : run.lastTime_s;
  return end_s > 0 ? Math.min(end_s, LONGEST_COPY_S) : QUIET_S;
}

// --- the bench as it is ---

function livePicture(know) {
  const { watch, references, standing } = know;
  const item = watch?.item ?? null;
  const current = watch?.current ?? null;
  const type = current ? current.item.module_type : item?.module_type ?? null;
  const version = current?.item.reference_version ?? item?.reference_version ?? null;
  const asked = references.of(type, version);
  const live = standing === 'watching' || standing === 'judged';
  const picture = sheet({
    verdict: standingPicture(know, asked),
    onBench: item,
    caption: item === null ? '' : liveCaption(know, live, captionOf({ module_type: type }, asked,
      current === null ? 'the last seconds' : 'this power-up')),
    struck: !live && standing !== 'waiting',
    number: live ? current.id : null,
    title: titleOf(standing, watch),
  });
  if (watch === null) return picture;
  picture.verdict.filed = filedOf(know);
  if (current !== null) {
    picture.phases = phaseRows(current.phases, asked.reference?.phases);
    picture.suspect = suspectOf(current.verdict);
    picture.trace = {
      readings: current.run, shift_s: 0, from_s: -BEFORE_ONSET_S, to_s: current.watch_s,
      envelope: envelopeOf(asked.reference), phases: numbered(picture.phases),
      decided_at_s: current.verdict?.decided_at_s ?? null, quiet: !live, paper: 'live',
    };
  } else {
    picture.phases = phaseRows([], asked.reference?.phases);
    picture.trace = quietTrace(watch, asked.reference, standing === 'waiting');
  }
  return picture;
}

// Before a power-up the pencil waits in the margin of the envelope to come.
function quietTrace(watch, reference, live) {
  const watch_s = reference?.watch_s ?? 0;
  return {
    readings: watch.recent, shift_s: watch.recent.lastTime_s || 0,
    from_s: watch_s > 0 ? -Math.min(QUIET_S, watch_s * 0.3) : -QUIET_S, to_s: watch_s,
    envelope: envelopeOf(reference), phases: [], decided_at_s: null, quiet: true,
    paper: 'live', now: live ? 'now' : 'last',
  };
}

function standingPicture(know, asked) {
  const { watch, standing, trouble } = know;
  const item = watch?.item ?? null;
  switch (standing) {
    case 'judged': {
      const { current } = watch;
      const picture = judged(current.item, current.verdict, current.kept, asked.reference, {});
      picture.facts.push(...nowFacts(watch.recent.last(), watch.onFor_s));
      return picture;
    }
    case 'watching':
      return watchingPicture(watch, asked);
    case 'waiting':
      return waitingPicture(watch, asked, know.type ?? null);
    case 'gone':
      return notice('Supply gone', 'trouble',
        `The supply ${watch.name} does not answer: ${item.problem ?? 'no reason known'}. `
        + 'Polling goes on by itself.', { draw: lastDraw(know) });
    case 'opening':
      return notice('Opening', 'trouble', `The link to ${watch.name} is being opened`
        + `${item.problem ? `: ${item.problem}` : ''}.`, { draw: lastDraw(know) });
    case 'stale':
      return notice('Stale', 'trouble', `Readings are stale since ${freshClock(know)}`
        + `${item?.problem ? ` (${item.problem})` : ''}. `
        + 'Nothing on this sheet is current.', { draw: lastDraw(know) });
    case 'unheard':
      return trouble ? notice('No word', 'trouble', trouble)
        : notice('No supply', 'plain', 'No supply is configured. Add a [supply NAME] section '
          + 'with its link and profile to the configuration file, then start the bench again.');
    default:
      return notice('No word', 'trouble', know.lostSince_ms === null
        ? 'The bench is being asked for its readings.'
        : `No word from the bench since ${clockTime(know.lostSince_ms)}. `
          + 'The page asks again by itself.', { draw: lastDraw(know) });
  }
}

function watchingPicture(watch, asked) {
  const { current } = watch;
  const last = watch.recent.last();
  const seen_s = watch.onFor_s;
  const sentence = seen_s === null ? 'A power-up is on.'
    : `A power-up is on: ${instant(Math.min(seen_s, current.watch_s))} s of `
      + `${instant(current.watch_s)} s watched.`;
  return notice('Watching', 'plain', sentence, {
    details: teaching(current.item.module_type, asked),
    draw: { label: 'Draw now', value_A: last?.current_A, note: volts(last?.voltage_V), struck: false },
  });
}

function waitingPicture(watch, asked, type) {
  const { item } = watch;
  const last = watch.recent.last();
  const draw = { label: 'Draw now', value_A: last?.current_A, note: volts(last?.voltage_V), struck: false };
  const doing = doingWords(item, type);
  if (doing !== '' && !item.off_wanted) return notice(DOING[item.output_doing] ?? 'Waiting', 'plain', doing, { draw });
  const strong = strongWords(item);
  if (strong !== null) return notice(strongHead(item), strong.tone, strong.text, { draw });
  return notice('Waiting', 'plain', awaited(item), { details: teaching(item.module_type, asked), draw });
}

const DOING = {
  setting: 'Setting', looking: 'Looking', 'switching on': 'Switching on', 'switching off': 'Switching off',
};

function awaited(item) {
  if (item.run) return 'A run is going on: the next power-up is awaited.';
  if (item.hold) return 'The unit\u2019s memory is being read or written.';
  return 'Switch the output on, or plug the module in.';
}

// What is missing for a verdict, and how to come by it.
function teaching(module_type, asked) {
  if (!module_type) {
    return ['No type is said. Scan the unit\u2019s serial number, or fill in what is on the bench: '
      + 'without a type every verdict is unsure.'];
  }
  if (asked.state === 'none') {
    return [`There is no reference for ${module_type} yet, so its verdict will be unsure. Power up `
      + 'units known to be good, then choose them on the page References; or state there the range '
      + 'you remember for the settled draw.'];
  }
  if (asked.state === 'failed') return ['The reference could not be fetched; it is asked for again.'];
  return instants(asked.earliest ?? []);
}

// When this type's verdict can come, computed in advance: a good one, and the
// faults most looked for.
export function instants(earliest) {
  const said = (each) => (typeof each.usual_s === 'number'
    ? `${instant(each.usual_s)} s` : `${instant(each.earliest_s)} s or later`);
  const good = earliest.find((each) => each.verdict === 'good');
  const byPhase = (fault) => earliest.filter((each) => each.fault === fault)
    .sort((a, b) => a.phase - b.phase);
  const low = byPhase('low').at(-1);
  const stuck = byPhase('stalled').at(0);
  const parts = [];
  if (good) parts.push(`Good can be said at ${said(good)}`);
  if (low) parts.push(`a low final draw shows from ${said(low)}`);
  if (stuck) parts.push(`a stall in the first phase from ${said(stuck)}`);
  return parts.length > 0 ? [`${parts.join('; ')}.`] : [];
}

function judged(item, verdict, kept, reference, extra) {
  const { sentence, details } = reasonsOf(verdict, isRangeOnly(reference));
  return {
    verdict, id: item.id, copy: false, notice: null, sentence, details,
    draw: drawOf(verdict, reference), facts: factsOf(item, verdict, kept), filed: null, ...extra,
  };
}

function notice(word, tone, sentence, extra = {}) {
  return {
    verdict: null, id: null, copy: false, notice: { word, tone }, sentence, details: [],
    draw: { label: 'Draw now', value_A: null, note: '', struck: false }, facts: [], filed: null,
    ...extra,
  };
}

// The power-up before, said as past.
function filedOf(know) {
  const { watch, standing } = know;
  const live = standing === 'watching' || standing === 'judged';
  if (watch.current !== null) {
    if (live) return null;
    const { item, verdict } = watch.current;
    return filed(know, item, verdict, `When last heard, on since ${clockTime(item.started_at)}`);
  }
  const item = watch.last;
  if (item === null) return null;
  const ended_ms = endedAt_ms(item);
  const when = Number.isNaN(ended_ms) ? `Last power-up, began ${whenWas(item.started_at)}`
    : `Last power-up, ended ${whenWas(ended_ms)}`;
  return filed(know, item, item.verdict, when);
}

function filed(know, item, verdict, when) {
  const parts = [item.unit ?? 'unit not said'];
  if (verdict) {
    if (typeof verdict.final_draw_A === 'number') parts.push(amperes(verdict.final_draw_A));
    const { reference } = know.references.of(item.module_type, item.reference_version);
    parts.push(reasonsOf(verdict, isRangeOnly(reference)).sentence);
  }
  return { when, verdict: verdict?.verdict ?? null, text: parts.join(' · ') };
}

function whenWas(when, today = '') {
  const date = day(when);
  return date === 'today' ? today + clockTime(when) : `${date}, ${clockTime(when, false)}`;
}

function lastDraw(know) {
  const last = know.watch?.recent.last();
  return {
    label: last ? `Last reading, ${freshClock(know)}` : 'Draw',
    value_A: last?.current_A, note: last ? volts(last.voltage_V) : '', struck: Boolean(last),
  };
}

function freshClock(know) {
  const { watch, now_ms, wall_ms, clockOffset_ms } = know;
  return clockTime(wall_ms + clockOffset_ms - (now_ms - watch.freshAt_ms));
}

function liveCaption(know, live, caption) {
  if (live || know.standing === 'waiting') return caption;
  return Number.isFinite(know.watch.freshAt_ms) ? `Not current, last heard ${freshClock(know)}.`
    : 'Not current.';
}

// pencil: what the line is.
function captionOf(item, asked, pencil = 'this power-up') {
  if (!item.module_type) return 'Current over time. No type is said, so there is no envelope to compare with.';
  if (asked.state !== 'there') {
    return asked.state === 'none' ? `Current over time. No reference for ${item.module_type} yet.`
      : 'Current over time.';
  }
  const { version, taught_by: taught } = asked.reference;
  const from = taught?.units > 0
    ? `${counted(taught.units, 'known-good unit')}, ${counted(taught.power_ups, 'power-up')}`
    : 'a stated range';
  if (isRangeOnly(asked.reference)) {
    return `Pencil: ${pencil}. Hatched: the range stated for the settled draw, reference ${version}.`;
  }
  return `Pencil: ${pencil}. Hatched: reference ${version}, from ${from}.`;
}

// The number of the type's phase that the first reason points at, or null.
function suspectOf(verdict) {
  const phase = verdict?.reasons?.[0]?.phase;
  return typeof phase === 'number' && verdict.verdict !== 'good' ? phase + 1 : null;
}

// What the trace marks: the phases found, with their numbers.
function numbered(rows) {
  return rows.filter((row) => row.found)
    .map(({ number, found }) => ({ number, from_s: found.from_s, to_s: found.to_s }));
}

function titleOf(standing, watch) {
  const name = watch?.name ?? 'The bench';
  if (standing === 'judged') return `${watch.current.verdict.verdict}: ${name}`;
  return `${standing}: ${name}`;
}

function sheet(parts) {
  return {
    copyText: '', onBench: null, phases: [], suspect: null, caption: '',
    trace: null, struck: false, number: null, title: 'The bench', ...parts,
  };
}
