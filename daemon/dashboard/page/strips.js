// @ts-check
// Strips of inverted ink across the top: faults of the view and of what is watched, not of the layout.
import { html, nothing } from './vendor/lit-html/lit-html.js';
import { leaveDemoDialog } from './dialogs.js';
import { clock, count, span } from './words.js';

/** A restart is told for so long. Unit: ms. */
const RESTARTED_SHOWN = 60_000;

/** Districts of which something is only the last known. @param {any} s */
function staleDistricts(s) {
  const of = new Set(s.districts.map((d, at) => (d.ma_old ? at : -1)));
  for (const t of s.turnouts) if (t.old) of.add(t.district);
  return [...of].filter((at) => at >= 0).map((at) => s.districts[at].id);
}

/** @param {any} s */
function stale(s) {
  const silent = s.nodes.filter((n) => !n.up);
  if (silent.length === 0) return nothing;
  const said = silent.map((n) => `node ${n.name} silent${n.silent ? ` for ${span(n.silent * 1000)}` : ''}`).join(', ');
  const where = staleDistricts(s);
  return html`<p class="strip"><strong>Partly stale: ${said}.</strong> ${where.length ? `Last known values in ${where.join(', ')}. ` : ''}${s.nodes.length - silent.length} of ${count(s.nodes.length, 'node')} alive.</p>`;
}

/** Who works under the layout; not on the page of that work itself. @param {any} s */
function commissioned(s) {
  const others = (s.sessions ?? []).filter((c) => location.pathname.toLowerCase() !== `/commission/${c.machine}`.toLowerCase());
  if (others.length === 0) return nothing;
  return html`<p class="strip">${others.map((c, n) => html`${n ? '; ' : ''}<a href="/commission/${c.machine}">${c.machine} in commissioning, ${c.who}</a>`)}. Keep trains off and hands away.</p>`;
}

/** @param {any} store */
export function strips(store) {
  const s = store.state;
  if (!s) return nothing;
  const lost = store.isLost();
  const demo = s.demo ? html`<p class="strip demo">Demo layout. Nothing here is wired. Alarms are not sounded. <button class="inverted" @click=${leaveDemoDialog}>Leave demo</button></p>` : nothing;
  if (lost) return html`${demo}<p class="strip"><strong>No contact with the supervisor since ${clock(store.lostSince ?? 0)}.</strong> Trips still work without this page. What you see is the last known state.</p>`;
  const blind = s.districts.filter((d) => !d.protected && d.power !== 'cut').map((d) => d.id);
  const down = s.links.filter((l) => !l.up);
  const again = store.restarted;
  return html`${demo}${stale(s)}${commissioned(s)}
    ${blind.length ? html`<p class="strip">Not protected by Checkrail, no fresh current: ${blind.join(', ')}. Breakers and boosters still are.</p>` : nothing}
    ${down.length ? html`<p class="strip">${down.map((l) => `Link ${l.name}: ${l.text}`).join('. ')}.</p>` : nothing}
    ${again && Date.now() - again.at < RESTARTED_SHOWN ? html`<p class="strip">Supervisor restarted ${clock(again.at)}, ${span(again.gap)} not recorded.</p>` : nothing}`;
}
