// SPDX-License-Identifier: GPL-3.0-or-later
//
// The place of judgement: the mark, the draw, the reason in one sentence. What
// it shows is handed to it whole; it decides nothing.

import { element, rebuilt, setData, setHidden, setText } from '../lib/page.js';
import { amperes, ampereRange, duration, instant, volts } from '../lib/words.js';
import { mark, words } from './mark.js';

// picture: {
//   verdict: VERDICT or null, id: its power-up, copy: true for an earlier one,
//   notice: {word, tone: "plain" | "trouble"} where there is no verdict,
//   sentence, details: [text], draw: {label, value_A, note, struck}, facts: [text],
//   filed: {when, verdict or null, text} of the power-up before, or null }
export function verdictView(places) {
  let spoken = '';

  function show(picture) {
    setData(places.block, 'verdict', picture.verdict?.verdict ?? 'none');
    setData(places.block, 'tone', picture.notice?.tone ?? 'plain');
    showMark(picture);
    setText(places.drawLabel, picture.draw.label);
    showDraw(picture.draw.value_A);
    setText(places.drawNote, picture.draw.note ?? '');
    setData(places.draw, 'struck', picture.draw.struck ? 'yes' : 'no');
    setText(places.reason, picture.sentence);
    rebuilt(places.details, picture.details, () => picture.details.map(
      (text) => element('p', '', text),
    ));
    setHidden(places.details, picture.details.length === 0);
    rebuilt(places.facts, picture.facts, () => picture.facts.map(
      (text) => element('li', '', text),
    ));
    showFiled(picture.filed);
    speak(picture);
  }

  function showFiled(filed) {
    setHidden(places.filed, filed === null);
    rebuilt(places.filed, filed, () => (filed === null ? [] : [
      element('span', 'filed-when', filed.when),
      filed.verdict ? mark(filed.verdict, 'medium') : element('span', 'counterfoil-none', 'no verdict'),
      element('span', 'filed-text', filed.text),
    ]));
  }

  // The figure large, its unit beside it after it.
  function showDraw(value_A) {
    const [figure, unit] = amperes(value_A).split('\u00a0');
    rebuilt(places.draw, [figure, unit], () => [
      figure, ...(unit ? [element('span', 'draw-gap', ' '), element('span', 'draw-unit', unit)] : []),
    ]);
  }

  function showMark(picture) {
    const from = picture.verdict
      ? { verdict: picture.verdict.verdict, copy: picture.copy, id: picture.id }
      : { notice: picture.notice };
    rebuilt(places.mark, from, () => (picture.verdict
      ? [mark(picture.verdict.verdict, 'large')]
      : [element('span', 'notice-word', picture.notice.word)]));
  }

  // Only what is new and live is read out.
  function speak(picture) {
    const text = picture.verdict
      ? `${words[picture.verdict.verdict]}. ${picture.sentence}`
      : `${picture.notice.word}. ${picture.notice.tone === 'trouble' ? picture.sentence : ''}`;
    if (picture.copy || text === spoken) return;
    spoken = text;
    setText(places.spoken, text);
  }

  return { show };
}

// The sentence and what stands behind it, from a verdict's reasons.
// rangeOnly: the reference is no more than a stated range.
export function reasonsOf(verdict, rangeOnly = false) {
  const [first, ...others] = verdict.reasons ?? [];
  const details = [];
  if (first?.details) details.push(capital(first.details));
  for (const reason of others) {
    details.push(`Also: ${reason.text}${reason.details ? `. ${reason.details}` : ''}`);
  }
  const settles = (verdict.settle ?? []).map((each) => each.text);
  if (settles.length > 1) details.push(`Any one of these would settle it: ${settles.join('; ')}.`);
  return { sentence: capital(first?.text ?? goodSentence(verdict, rangeOnly)), details };
}

function goodSentence(verdict, rangeOnly) {
  if (verdict.verdict !== 'good') return 'No reason was given.';
  return rangeOnly ? 'The final draw lies within the range stated for this type.'
    : 'Every phase lies within what this type draws.';
}

export function drawOf(verdict, reference) {
  const final = reference?.final;
  const range = final ? ampereRange(final.low_A, final.high_A) : '';
  return {
    label: 'Final draw',
    value_A: verdict.final_draw_A,
    note: range ? `type draws ${range}` : '',
    struck: false,
  };
}

export function factsOf(item, verdict, kept) {
  const facts = [];
  if (typeof verdict.decided_at_s === 'number') {
    facts.push(`decided at ${instant(verdict.decided_at_s)} s`);
  } else {
    facts.push('never settled');
  }
  facts.push(kept ? 'kept' : 'being written down');
  if (item.bench && item.bench.state !== 'verified') facts.push('bench unverified');
  if (item.ended_why) {
    facts.push(`${item.ended_why}${typeof item.on_time_s === 'number'
      ? ` after ${duration(item.on_time_s)}` : ''}`);
  }
  return facts;
}

export function nowFacts(last, onFor_s) {
  const facts = [];
  if (onFor_s !== null) facts.push(`on for ${duration(onFor_s)}`);
  if (last) facts.push(`now ${amperes(last.current_A)}, ${volts(last.voltage_V)}`);
  return facts;
}

function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}
