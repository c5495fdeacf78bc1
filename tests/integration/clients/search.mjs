// What a JavaScript client library that we did not write finds of our answers about a patient, as JSON: type to [id, status, version].
//
//     node search.mjs BASE PATIENT SYSTEM TYPE…
//
// Searched by subject, and each resource once more by its identifier of SYSTEM, which must find just it.
import { Client } from 'fhir-kit-client';

const [base, patient, system, ...kinds] = process.argv.slice(2);
const client = new Client({ baseUrl: base });
const listed = (bundle) => (bundle.entry ?? []).map((entry) => entry.resource);

async function everything(resourceType, searchParams) {
  const found = [];
  let page = await client.search({ resourceType, searchParams });
  while (page) {
    found.push(...listed(page).filter((one) => one.resourceType === resourceType));
    page = page.link?.some((link) => link.relation === 'next') ? await client.nextPage({ bundle: page }) : null;
  }
  return found;
}

const answer = {};
for (const kind of kinds) {
  for (const one of await everything(kind, { subject: `Patient/${patient}`, _count: 100 })) {
    const known = (one.identifier ?? []).find((each) => each.system === system);
    if (!known) continue;
    const again = listed(await client.search({ resourceType: kind, searchParams: { identifier: `${system}|${known.value}` } }))
      .filter((each) => each.resourceType === kind);
    if (again.length !== 1) throw new Error(`${again.length} ${kind} by one identifier`);
    (answer[kind] ??= []).push([again[0].id, again[0].status, again[0].meta.versionId]);
  }
}
console.log(JSON.stringify(Object.fromEntries(Object.entries(answer).map(([kind, rows]) => [kind, rows.sort()]))));
