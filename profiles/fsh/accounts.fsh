Profile: ContradictingFindings
Parent: DetectedIssue
Id: contradicting-findings
Title: "Contradicting findings"
Description: "Findings that contradict each other, and which was taken: the worse reading."
* insert Written
* insert Identified
* obeys sur-2
* code 1..1
* code = $issue#contradiction
* severity 1..1
* patient 1..1
* identified[x] 1..1
* identified[x] only dateTime
* author 1..1
* author only Reference(Device)
* implicated ^short = "The inputs that disagree"
* detail 1..1
* mitigation 0..0

Profile: RecallIssue
Parent: DetectedIssue
Id: recall-issue
Title: "Recall of a person"
Description: "Why a person is on a recall list on a day: one state, with its reasons as evidence and the stored answer or proposal that it rests on. Made anew for each list, never stored."
* insert Written
* extension contains RecallDates named recallDates 0..1
* extension[recallDates].url = "https://sural.example/fhir/StructureDefinition/recall-dates" (exactly)
* code 1..1
* code from $recall-vs (required)
* severity 1..1
* patient 1..1
* patient only Reference(Patient)
* identified[x] 1..1
* identified[x] only dateTime
* detail 1..1
* implicated 0..0
* mitigation 0..0

Profile: AssessmentProvenance
Parent: Provenance
Id: assessment-provenance
Title: "Provenance of an assessment"
Description: "Which resources were made, by which software and rule set, from which inputs. Its tag names the content of the answer, so that sending it twice changes nothing."
* insert Written
* obeys sap-1 and sap-2
* meta 1..1
* meta.tag 1..*
* insert BySystem(meta.tag)
* meta.tag contains answer 1..1
* meta.tag[answer] ^patternCoding.system = "https://sural.example/fhir/identifier/answer"
* occurred[x] 1..1
* occurred[x] only dateTime
* policy 1..1
* policy ^short = "The rules and their version"
* activity 1..1
* activity = $data-operation#CREATE
* agent 1..1
* agent.type 1..1
* agent.type = $participant-type#assembler
* agent.who only Reference(Device)

Profile: AssessmentSoftware
Parent: Device
Id: assessment-software
Title: "Software of an assessment"
Description: "The software that assessed, with its version and that of its rule set."
* insert Written
* identifier 1..*
* identifier.system 1..1
* identifier.value 1..1
* insert BySystem(identifier)
* identifier contains software 1..1
* identifier[software] ^patternIdentifier.system = "https://sural.example/fhir/identifier/software"
* status 1..1
* deviceName 1..*
* version 2..*
* version.type 1..1
* version ^slicing.discriminator.type = #pattern
* version ^slicing.discriminator.path = "type"
* version ^slicing.rules = #open
* version contains software 1..1 and ruleSet 1..1
* version[software].type ^patternCodeableConcept.text = "software"
* version[ruleSet].type ^patternCodeableConcept.text = "rule set"
* patient 0..0

Profile: IntakeOutcome
Parent: OperationOutcome
Id: intake-outcome
Title: "Intake report"
Description: "Every issue of the input with a stable key, plain words and a FHIRPath to the place, and how many resources ended as what. Refusals have the same form."
* insert Written
* obeys sio-1
* issue.details 1..1
* issue.details.text 1..1
* issue.details.coding 0..1
* issue.details.coding from $issue-vs (required)
* issue.location 0..0

Profile: AssessmentReport
Parent: DiagnosticReport
Id: assessment-report
Title: "Report of an assessment"
Description: "The answer for readers that show only reports: the conclusion in words, the derived Observations as results, pictures as attachments."
* insert Written
* insert Identified
* obeys sur-2 and sar-1
* code 1..1
* code.text 1..1
* subject 1..1
* subject only Reference(Patient)
* effective[x] 1..1
* effective[x] only dateTime or Period
* result 1..*
* result only Reference(Observation)
* conclusion 1..1
