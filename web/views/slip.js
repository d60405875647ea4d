// SPDX-License-Identifier: GPL-3.0-or-later
//
// A slip laid over the page: a title, some fields, one thing to do with them. Off
// stays at its head while an output is on. What fails is said on the slip, and the
// access code is asked for where it is needed.
//
//   const laid = slip({ title: 'A note', body: [field.row], save: 'Write it down',
//     act: async () => { await post(...); } });

import { Problem, setAccessCode } from '../lib/api.js';
import { element, setHidden, setText } from '../lib/page.js';
import { mountOff } from './off.js';

let number = 0;

// act() does it; the slip is taken away when it is through. done(): afterwards,
// however it ended. save: '' where there is nothing to save.
// fields: {name: input} for the problems that name one.
export function slip({
  title, body, save = 'Write it down', leave = 'Leave it', act = async () => {}, done = () => {},
  fields = {}, wide = false,
}) {
  const id = `slip-${++number}`;
  const dialog = element('dialog', wide ? 'form-slip form-slip-wide' : 'form-slip');
  const form = element('form');
  const heading = element('h2', '', title);
  const off = element('div', 'slip-off');
  const problem = element('p', 'form-problem');
  const code = element('input');
  const codeRow = element('label', '', 'Access code', code);
  const saveButton = element('button', 'firm', save);
  const leaveButton = element('button', '', leave);
  const content = element('div', 'slip-body', ...body);
  heading.id = id;
  heading.tabIndex = -1;
  dialog.setAttribute('aria-labelledby', id);
  form.autocomplete = 'off';
  form.noValidate = true;
  problem.setAttribute('role', 'alert');
  problem.hidden = true;
  code.type = 'password';
  code.autocomplete = 'off';
  codeRow.hidden = true;
  saveButton.type = 'submit';
  saveButton.hidden = save === '';
  leaveButton.type = 'button';
  form.append(element('div', 'slip-head', heading, off), content, codeRow, problem,
    element('div', 'form-end', leaveButton, saveButton));
  dialog.append(form);
  const unmount = mountOff(off);

  function say(text) {
    setText(problem, text);
    setHidden(problem, text === '');
  }

  async function run() {
    if (saveButton.disabled) return;
    if (code.value) setAccessCode(code.value);
    saveButton.disabled = true;
    say('');
    try {
      await act();
      dialog.close();
    } catch (failure) {
      if (!(failure instanceof Problem)) throw failure;
      refused(failure);
    } finally {
      saveButton.disabled = false;
    }
  }

  function refused(failure) {
    say(`Not done: ${failure.message}`);
    fields[failure.field]?.focus();
    if (failure.status !== 401 && failure.status !== 403) return;
    setHidden(codeRow, false);
    code.focus();
  }

  form.addEventListener('submit', (event) => {
    event.preventDefault();
    run();
  });
  leaveButton.addEventListener('click', () => dialog.close());
  dialog.addEventListener('close', () => {
    unmount();
    dialog.remove();
    done();
  });
  keepScannerOff(dialog);
  document.body.append(dialog);
  dialog.showModal();
  // A soft keyboard over half the slip helps nobody who came to touch one button.
  if (matchMedia('(pointer: coarse)').matches) heading.focus();
  return { dialog, form, close: () => dialog.close(), say, run, save: saveButton, title: heading };
}

// A scanner types and sends Enter wherever the focus is: its Enter must not press
// a button of the slip.
function keepScannerOff(dialog) {
  let typed_ms = -Infinity;
  dialog.addEventListener('keydown', (event) => {
    if (event.target.matches('input, textarea, select')) return;
    if (event.key.length === 1 && event.key !== ' ') typed_ms = event.timeStamp;
    if (event.key === 'Enter' && event.timeStamp - typed_ms < 200) event.preventDefault();
  }, true);
}

// --- what slips are made of ---

// A labelled input: {row, input}.
export function field(words, { name, value = '', rows = 0, ...parts } = {}) {
  const input = element(rows > 0 ? 'textarea' : 'input');
  if (rows > 0) input.rows = rows;
  if (name) input.id = `field-${name}`;
  input.autocomplete = 'off';
  input.value = value;
  Object.assign(input, parts);
  return { row: element('label', '', words, input), input };
}

// A row of words to touch, one of which may be chosen: {row, value}.
// changed(value): after a touch.
export function choice(words, values, { value = null, changed = () => {}, label = (each) => each } = {}) {
  const row = element('div', 'chips');
  row.setAttribute('role', 'group');
  row.setAttribute('aria-label', words);
  const buttons = values.map((each) => {
    const button = element('button', 'chip', label(each));
    button.type = 'button';
    button.addEventListener('click', () => choose(each));
    return button;
  });
  row.append(...buttons);
  const made = { row, value, buttons };
  function mark() {
    buttons.forEach((button, i) => {
      button.setAttribute('aria-pressed', String(values[i] === made.value));
    });
  }
  function choose(each) {
    made.value = each;
    mark();
    changed(each);
  }
  made.choose = choose;
  mark();
  return made;
}
