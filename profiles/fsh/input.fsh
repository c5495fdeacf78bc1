Profile: LowerLimbFinding
Parent: Observation
Id: lower-limb-finding
Title: "Lower-limb finding"
Description: "A finding of a foot and lower-limb neurological examination, as it is understood without any configuration of a site. Findings in a site's own codes need a ConceptMap beside them and do not conform. Must Support marks what Sural reads; a sender fills it where it has it. A finding that needs a side and has none is not used, and an Observation with an unknown modifier extension, or about someone other than the patient, neither."
* insert Published
* implicitRules 0..0
* modifierExtension 0..0
* obeys slf-1 and slf-2 and slf-3 and slf-4
* status MS
* code MS
* code from $accepted-finding-vs (required)
* code ^short = "What was examined: an own code, or an open code that is mapped to one"
* subject 1..1 MS
* subject only Reference(Patient)
* focus 0..0
* effective[x] 1..1 MS
* effective[x] only dateTime or Period or instant
* effective[x] ^short = "When it was examined. Undated findings are usable for history only and do not conform"
* value[x] MS
* value[x] only CodeableConcept or Quantity or integer or boolean or string or dateTime
* value[x] ^short = "The answer: coded where there is a code, a Quantity in UCUM where it was measured"
* valueCodeableConcept from $finding-value-vs (preferred)
* insert Measured(valueQuantity)
* dataAbsentReason MS
* dataAbsentReason ^short = "Not examined, and why: never read as normal"
* bodySite MS
* bodySite ^short = "Site and side: a code that holds both, two codings, or a post-coordinated code"
* referenceRange MS
* hasMember MS
* hasMember only Reference(Observation)
* component MS
* component.code MS
* component.value[x] MS
* component.value[x] only CodeableConcept or Quantity or integer or boolean or string or dateTime
* insert Measured(component.valueQuantity)
* component.dataAbsentReason MS

// A measured value: a number with its UCUM code, and no comparator.
RuleSet: Measured(path)
* {path}.value 1..1
* {path}.comparator 0..0
* {path}.system 1..1
* {path}.system = "http://unitsofmeasure.org"
* {path}.code 1..1
