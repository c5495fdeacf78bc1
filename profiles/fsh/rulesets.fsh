// What several profiles share.

RuleSet: Published
* ^version = "0.1.0"
* ^date = "2026-11-25"
* ^status = #active
* ^experimental = false
* ^publisher = "The Sural project"

// A resource that Sural wrote: readable without a computer, and with nothing in it that changes its meaning unseen.
RuleSet: Written
* insert Published
* implicitRules 0..0
* text 1..1
* modifierExtension 0..0
* obeys sur-1

// Both business identifiers, each exactly once.
RuleSet: Identified
* identifier 2..*
* identifier.system 1..1
* identifier.value 1..1
* insert BySystem(identifier)
* identifier contains answer 1..1 and examination 1..1
* identifier[answer] ^short = "Names the content: changes when an input, its version or a rule changes"
* identifier[answer] ^patternIdentifier.system = "https://sural.example/fhir/identifier/answer"
* identifier[examination] ^short = "Names what the resource is about: stays when the answer is corrected"
* identifier[examination] ^patternIdentifier.system = "https://sural.example/fhir/identifier/examination"

// Identifiers or codings, told apart by the pattern of each slice.
RuleSet: BySystem(path)
* {path} ^slicing.discriminator.type = #pattern
* {path} ^slicing.discriminator.path = "$this"
* {path} ^slicing.rules = #open

// An Observation that Sural derived from others.
RuleSet: Derived
* insert Written
* insert Identified
* obeys sur-2 and sur-3
* focus 0..0
* category 1..*
* insert BySystem(category)
* category contains survey 1..1
* category[survey] = $observation-category#survey
* code 1..1
* subject 1..1
* subject only Reference(Patient)
* effective[x] 1..1
* effective[x] only dateTime or Period
* device 1..1
* device only Reference(Device)
* derivedFrom only Reference(Observation or QuestionnaireResponse)

// A RiskAssessment that Sural made.
RuleSet: Assessed
* insert Written
* insert Identified
* obeys sur-2
* parent 0..0
* method 1..1
* method.coding 1..1
* method.coding from $foot-risk-vs (required)
* method.text 1..1
* code 1..1
* subject 1..1
* subject only Reference(Patient)
* occurrence[x] 1..1
* occurrence[x] only dateTime or Period
* performer 1..1
* performer only Reference(Device)
* prediction.outcome 1..1
* prediction.when[x] 1..1
* prediction.when[x] only Period
* prediction.rationale 1..1
* mitigation 0..0
* note 1..*
