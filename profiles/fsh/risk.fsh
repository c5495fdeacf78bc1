Profile: FootRiskAssessment
Parent: RiskAssessment
Id: foot-risk-assessment
Title: "Foot risk assessment"
Description: "The result of one scheme: the category, or both ends of what it can be while findings are missing, with the factors that would settle it, the inputs it rests on, and its limits."
* insert Assessed
* obeys sfr-1 and sfr-2 and sfr-3 and sfr-4 and sfr-5
* extension contains CategoryRange named categoryRange 1..1 and WouldSettle named wouldSettle 0..*
* extension[categoryRange].url = "https://sural.example/fhir/StructureDefinition/category-range" (exactly)
* extension[wouldSettle].url = "https://sural.example/fhir/StructureDefinition/would-settle" (exactly)
* code = $factor#foot-risk-assessment
* basis ^short = "Every input that was used"
* prediction 1..2
* prediction.outcome.coding 1..*
* prediction.probability[x] 0..0
* prediction.qualitativeRisk 1..1
* prediction.qualitativeRisk.coding 1..*
* insert BySystem(prediction.qualitativeRisk.coding)
* prediction.qualitativeRisk.coding contains category 1..1 and likelihood 0..1
* prediction.qualitativeRisk.coding[category] ^short = "The category of the scheme"
* prediction.qualitativeRisk.coding[category] from $foot-risk-vs (required)
* prediction.qualitativeRisk.coding[category] ^patternCoding.system = "https://sural.example/fhir/CodeSystem/foot-risk"
* prediction.qualitativeRisk.coding[likelihood] ^short = "The same in the general code of the specification"
* prediction.qualitativeRisk.coding[likelihood] ^patternCoding.system = "http://terminology.hl7.org/CodeSystem/risk-probability"
* prediction.qualitativeRisk.text 1..1

Profile: UlcerPrognosis
Parent: RiskAssessment
Id: ulcer-prognosis
Title: "Prognosis of foot ulceration"
Description: "The probability of a new foot ulcer within a stated time. In R4 a probability is a percentage. The first prediction is the estimate, or its range while items are missing; the second, where there is one, the confidence interval."
* insert Assessed
* obeys sup-1 and sup-2 and sup-3
* code = $factor#ulcer-prognosis
* prediction 1..2
* prediction.outcome.coding 1..*
* prediction.probability[x] 1..1
* prediction.probability[x] only decimal or Range
* prediction.qualitativeRisk 0..0
* prediction.whenPeriod.start 1..1
* prediction.whenPeriod.end 1..1
