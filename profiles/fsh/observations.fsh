Profile: FootRiskCategory
Parent: Observation
Id: foot-risk-category
Title: "Foot risk category"
Description: "The categories of all schemes side by side, as an Observation: what a referral can give as its reason. The value is the category of the scheme that the pathway follows that is certain, or that it is open."
* insert Derived
* obeys sfc-1
* code = $score#foot-risk-category
* value[x] 1..1
* value[x] only CodeableConcept
* valueCodeableConcept from $foot-risk-vs (required)
* dataAbsentReason 0..0
* hasMember 0..0
// The extension factor-state is there too, once for each factor that is known; it is no slice, because validators count the parts of a
// complex extension over all its repetitions.
* extension contains FeetExamined named feetExamined 0..1
* extension[feetExamined].url = "https://sural.example/fhir/StructureDefinition/feet-examined" (exactly)
* component 1..*
* component.extension contains CategoryRange named categoryRange 1..1
* component.extension[categoryRange].url = "https://sural.example/fhir/StructureDefinition/category-range" (exactly)
* component.code from $foot-risk-vs (required)
* component.value[x] 1..1
* component.value[x] only CodeableConcept
* component.valueCodeableConcept from $foot-risk-vs (required)
* component.dataAbsentReason 0..0

// A component that is a number, or absent with what is still possible in words.
RuleSet: Number(slice, code)
* component[{slice}].code = $score#{code}
* component[{slice}].value[x] only Quantity
* component[{slice}].value[x] ^patternQuantity.system = "http://unitsofmeasure.org"
* component[{slice}].value[x] ^patternQuantity.code = #{score}

RuleSet: Word(slice, code)
* component[{slice}].code = $score#{code}
* component[{slice}].value[x] only string

Profile: UlcerGrades
Parent: Observation
Id: ulcer-grades
Title: "Grades of a foot ulcer"
Description: "The grades of one ulcer. A grade that is not settled is absent, with what is still possible in words."
* insert Derived
* obeys sug-1 and sug-2 and sug-3 and sug-4 and sug-5
* code = $score#ulcer-grades
* value[x] 0..0
* dataAbsentReason 0..0
* bodySite 1..1
* bodySite.coding 2..*
* insert BySystem(bodySite.coding)
* bodySite.coding contains site 1..1 and side 1..1
* bodySite.coding[site] from $site-vs (required)
* bodySite.coding[site] ^patternCoding.system = "https://sural.example/fhir/CodeSystem/site"
* bodySite.coding[side] from $side-vs (required)
* bodySite.coding[side] ^patternCoding.system = "https://sural.example/fhir/CodeSystem/side"
* component 1..*
* component.code from $score-vs (required)
* component ^slicing.discriminator.type = #pattern
* component ^slicing.discriminator.path = "code"
* component ^slicing.rules = #open
* component contains
    sinbad 0..1 and
    texas 0..1 and
    wifiWound 0..1 and
    wifiIschaemia 0..1 and
    wifiInfection 0..1 and
    wifiStage 0..1 and
    infection 1..1
* insert Number(sinbad, sinbad)
* insert Word(texas, texas)
* insert Number(wifiWound, wifi-wound)
* insert Number(wifiIschaemia, wifi-ischaemia)
* insert Number(wifiInfection, wifi-infection)
* insert Number(wifiStage, wifi-stage)
* insert Word(infection, iwgdf-idsa-2023)

Profile: NeuropathyClassification
Parent: Observation
Id: neuropathy-classification
Title: "Classification of a neuropathy"
Description: "The neuropathy of one examination: its patterns, predominance, fibres and process, and further parts as components, each with a value or the reason why there is none."
* insert Derived
* obeys sur-4
* code = $neuropathy#classification
* value[x] only CodeableConcept
* component 1..*
* component ^slicing.discriminator.type = #pattern
* component ^slicing.discriminator.path = "code"
* component ^slicing.rules = #open
* component contains
    pattern 1..* and
    predominance 1..1 and
    fibres 1..1 and
    process 1..1
* component[pattern].code = $neuropathy#pattern
* component[pattern].value[x] only CodeableConcept
* component[predominance].code = $neuropathy#predominance
* component[predominance].value[x] only CodeableConcept
* component[fibres].code = $neuropathy#fibres
* component[fibres].value[x] only CodeableConcept
* component[process].code = $neuropathy#process
* component[process].value[x] only CodeableConcept

Profile: ScoreObservation
Parent: Observation
Id: score-observation
Title: "Score"
Description: "A published score: its total when every item is known, else the reason why there is none with what is still possible in words; its items as components."
* insert Derived
* obeys sur-4
* code from $score-vs (required)
* value[x] only Quantity
* valueQuantity.value 1..1
* valueQuantity.system 1..1
* valueQuantity.system = "http://unitsofmeasure.org"
* valueQuantity.code 1..1
* valueQuantity.code = #{score}
* hasMember 0..0
* component 1..*
* component.value[x] only Quantity
