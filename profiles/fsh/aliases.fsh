// Code systems. Those of Sural stand in terminology/fhir; nothing here repeats them.
Alias: $factor = https://sural.example/fhir/CodeSystem/factor
Alias: $foot-risk = https://sural.example/fhir/CodeSystem/foot-risk
Alias: $score = https://sural.example/fhir/CodeSystem/score
Alias: $neuropathy = https://sural.example/fhir/CodeSystem/neuropathy
Alias: $service = https://sural.example/fhir/CodeSystem/service
Alias: $recall = https://sural.example/fhir/CodeSystem/recall
Alias: $issue = https://sural.example/fhir/CodeSystem/issue
Alias: $finding = https://sural.example/fhir/CodeSystem/finding
Alias: $site = https://sural.example/fhir/CodeSystem/site
Alias: $side = https://sural.example/fhir/CodeSystem/side
Alias: $ucum = http://unitsofmeasure.org
Alias: $observation-category = http://terminology.hl7.org/CodeSystem/observation-category
Alias: $risk-probability = http://terminology.hl7.org/CodeSystem/risk-probability
Alias: $data-operation = http://terminology.hl7.org/CodeSystem/v3-DataOperation
Alias: $participant-type = http://terminology.hl7.org/CodeSystem/provenance-participant-type

// Value sets of Sural.
Alias: $accepted-finding-vs = https://sural.example/fhir/ValueSet/accepted-finding
Alias: $finding-value-vs = https://sural.example/fhir/ValueSet/finding-value
Alias: $factor-vs = https://sural.example/fhir/ValueSet/factor
Alias: $foot-risk-vs = https://sural.example/fhir/ValueSet/foot-risk
Alias: $score-vs = https://sural.example/fhir/ValueSet/score
Alias: $service-vs = https://sural.example/fhir/ValueSet/service
Alias: $recall-vs = https://sural.example/fhir/ValueSet/recall
Alias: $issue-vs = https://sural.example/fhir/ValueSet/issue
Alias: $site-vs = https://sural.example/fhir/ValueSet/site
Alias: $side-vs = https://sural.example/fhir/ValueSet/side
