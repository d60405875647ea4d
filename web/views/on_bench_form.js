// SPDX-License-Identifier: GPL-3.0-or-later
//
// Saying what is on the bench: the entries at the head of the ticket, and the
// form that fills them in.

import { Problem, get, post, put, setAccessCode } from '../lib/api.js';
import { element, rebuilt, setData, setHidden, setText } from '../lib/page.js';

const KEYS = ['module_type', 'unit', 'work_order', 'stage'];
const ANOTHER = '\u0000another';

// saved(item): the supply's item after it was said.
export function onBenchForm(entries, form, saved) {
  const { dialog, fields } = form;
  let supply = null;
  let types = [];

  // copy: true where the entries are those of an earlier power-up.
  function show(on, copy) {
    for (const key of KEYS) {
      setText(entries[key], on?.[key] ?? (copy ? 'not said' : 'not said yet'));
      setData(entries[key], 'said', on?.[key] ? 'yes' : 'no');
    }
    setText(entries.change, KEYS.some((key) => on?.[key]) ? 'Change' : 'Fill in');
    setHidden(entries.change, copy || on === null);
  }

  // codeWanted: why the access code is asked for; else it is not asked for yet.
  async function open(name, on, codeWanted = '') {
    supply = name;
    say(codeWanted);
    setHidden(form.codeRow, codeWanted === '');
    listTypes(on?.module_type ?? '');
    for (const key of ['unit', 'work_order', 'stage']) fields[key].value = on?.[key] ?? '';
    fields.new_type.value = '';
    setText(form.title, `On the bench at ${name}`);
    if (!dialog.open) dialog.showModal();
    // The types may have changed; what has been chosen meanwhile stays.
    try {
      types = (await get('module-types?limit=500')).items;
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      say(problem.message);
      return;
    }
    listTypes(fields.module_type.value);
  }

  function listTypes(chosen) {
    const names = types.map((type) => type.name).sort((a, b) => a.localeCompare(b));
    if (chosen !== '' && chosen !== ANOTHER && !names.includes(chosen)) names.unshift(chosen);
    rebuilt(fields.module_type, names, () => [
      new Option('not said', ''), ...names.map((name) => new Option(name, name)),
      new Option('another type …', ANOTHER),
    ]);
    fields.module_type.value = chosen;
    showNewType();
  }

  function showNewType() {
    const another = fields.module_type.value === ANOTHER;
    setHidden(form.newTypeRow, !another);
    fields.new_type.required = another;
  }

  async function save(event) {
    event.preventDefault();
    if (!form.codeRow.hidden && fields.code.value) setAccessCode(fields.code.value);
    const body = Object.fromEntries(KEYS.map((key) => [key, fields[key].value.trim() || null]));
    form.save.disabled = true;
    say('');
    try {
      if (fields.module_type.value === ANOTHER) {
        body.module_type = fields.new_type.value.trim();
        if (!types.some((type) => type.name === body.module_type)) {
          await post('module-types', { name: body.module_type });
        }
      }
      const item = await put(`supplies/${encodeURIComponent(supply)}/on-bench`, body);
      dialog.close();
      saved(item);
    } catch (problem) {
      if (!(problem instanceof Problem)) throw problem;
      refused(problem);
    } finally {
      form.save.disabled = false;
    }
  }

  function refused(problem) {
    const field = problem.field && fields[problem.field] ? ` (${problem.field})` : '';
    say(`Not written: ${problem.message}${field}`);
    if (problem.field && fields[problem.field]) fields[problem.field].focus();
    if (problem.status !== 401 && problem.status !== 403) return;
    setHidden(form.codeRow, false);
    fields.code.focus();
  }

  function say(text) {
    setText(form.problem, text);
    setHidden(form.problem, text === '');
  }

  fields.module_type.addEventListener('change', showNewType);
  form.form.addEventListener('submit', save);
  form.cancel.addEventListener('click', () => dialog.close());
  form.stages.addEventListener('click', (event) => {
    const button = event.target.closest('button');
    if (button) fields.stage.value = button.textContent;
  });

  return { show, open };
}

// Stages often named on a ticket; any other may be written.
export function stageButtons(place, stages) {
  const made = stages.map((stage) => {
    const button = element('button', 'chip', stage);
    button.type = 'button';
    return button;
  });
  place.replaceChildren(...made);
}
