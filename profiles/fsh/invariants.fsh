Invariant: sur-1
Description: "A generated narrative stands beside the data."
Severity: #error
Expression: "text.status = 'generated' and text.`div`.exists()"

Invariant: sur-2
Description: "A derived result is preliminary, final, amended, corrected or withdrawn."
Severity: #error
Expression: "status = 'preliminary' or status = 'final' or status = 'amended' or status = 'corrected' or status = 'entered-in-error'"

Invariant: sur-3
Description: "Each component has a value or the reason why there is none, never both and never neither."
Severity: #error
Expression: "component.all(value.exists() xor dataAbsentReason.exists())"

Invariant: sur-4
Description: "A value or the reason why there is none, never both and never neither."
Severity: #error
Expression: "value.exists() xor dataAbsentReason.exists()"

Invariant: slf-1
Description: "There is a value, a reason for its absence, components or members."
Severity: #error
Expression: "value.exists() or dataAbsentReason.exists() or component.exists() or hasMember.exists()"

Invariant: slf-2
Description: "Each component has a value or the reason why there is none."
Severity: #error
Expression: "component.all(value.exists() or dataAbsentReason.exists())"

Invariant: slf-3
Description: "Only final, amended and corrected results are evidence; preliminary ones are read on request."
Severity: #error
Expression: "status = 'final' or status = 'amended' or status = 'corrected' or status = 'preliminary'"

Invariant: slf-4
Description: "A measured value has its UCUM code and no comparator."
Severity: #error
Expression: "value.comparator.empty() and (value.value.empty() or (value.system = 'http://unitsofmeasure.org' and value.code.exists())) and component.all(value.comparator.empty() and (value.value.empty() or (value.system = 'http://unitsofmeasure.org' and value.code.exists())))"

Invariant: sfr-1
Description: "Each prediction says for which period it holds."
Severity: #error
Expression: "prediction.all(when.start.exists())"

Invariant: sfr-2
Description: "The first prediction is the lower end of the range, the last one its upper end."
Severity: #error
Expression: "prediction.first().qualitativeRisk.coding.where(system = 'https://sural.example/fhir/CodeSystem/foot-risk').code = extension.where(url = 'https://sural.example/fhir/StructureDefinition/category-range').extension.where(url = 'atLeast').value.code and prediction.last().qualitativeRisk.coding.where(system = 'https://sural.example/fhir/CodeSystem/foot-risk').code = extension.where(url = 'https://sural.example/fhir/StructureDefinition/category-range').extension.where(url = 'atMost').value.code"

Invariant: sfr-3
Description: "A settled category is one prediction and nothing would settle it further; a range is two."
Severity: #error
Expression: "(prediction.count() = 1 and extension.where(url = 'https://sural.example/fhir/StructureDefinition/would-settle').empty()) or (prediction.count() = 2 and extension.where(url = 'https://sural.example/fhir/StructureDefinition/would-settle').exists())"

Invariant: sfr-4
Description: "The categories are those of the scheme that the method names."
Severity: #error
Expression: "prediction.qualitativeRisk.coding.where(system = 'https://sural.example/fhir/CodeSystem/foot-risk').all(code.startsWith(%resource.method.coding.first().code & '.'))"

Invariant: sfr-5
Description: "Each coding of a risk has its system and its code."
Severity: #error
Expression: "prediction.qualitativeRisk.coding.all(system.exists() and code.exists())"

Invariant: sup-1
Description: "The first prediction carries a probability."
Severity: #error
Expression: "prediction.first().probability.exists()"

Invariant: sup-2
Description: "Probabilities are percentages from 0 to 100."
Severity: #error
Expression: "prediction.probability.where(low.empty() and high.empty()).all($this >= 0 and $this <= 100) and prediction.probability.where(low.exists() or high.exists()).all(low.value >= 0 and low.value <= high.value and high.value <= 100)"

Invariant: sup-3
Description: "The ends of a range of probabilities are in UCUM %."
Severity: #error
Expression: "prediction.probability.where(low.exists() or high.exists()).all(low.system = 'http://unitsofmeasure.org' and low.code = '%' and high.system = 'http://unitsofmeasure.org' and high.code = '%')"

Invariant: srp-1
Description: "A proposal is active or a draft that still needs information."
Severity: #error
Expression: "status = 'active' or status = 'draft'"

Invariant: srp-2
Description: "The priority is one that a pathway can ask for: routine, urgent or stat."
Severity: #error
Expression: "priority = 'routine' or priority = 'urgent' or priority = 'stat'"

Invariant: srp-3
Description: "Each coding of the service has its system and its code."
Severity: #error
Expression: "code.coding.all(system.exists() and code.exists())"

Invariant: sug-1
Description: "SINBAD is a whole number from 0 to 6."
Severity: #error
Expression: "component.where(code.coding.code = 'sinbad' and value.exists()).all(value.value >= 0 and value.value <= 6)"

Invariant: sug-2
Description: "WIfI grades are from 0 to 3, the clinical stage from 1 to 4."
Severity: #error
Expression: "component.where((code.coding.code = 'wifi-wound' or code.coding.code = 'wifi-ischaemia' or code.coding.code = 'wifi-infection') and value.exists()).all(value.value >= 0 and value.value <= 3) and component.where(code.coding.code = 'wifi-stage' and value.exists()).all(value.value >= 1 and value.value <= 4)"

Invariant: sug-3
Description: "A cell of the University of Texas classification is a grade from 0 to 3 and a stage from A to D."
Severity: #error
Expression: "component.where(code.coding.code = 'texas' and value.exists()).all(value.matches('^[0-3][A-D]$'))"

Invariant: sug-4
Description: "An infection grade is 1 to 4, with (O) where bone is infected."
Severity: #error
Expression: "component.where(code.coding.code = 'iwgdf-idsa-2023' and value.exists()).all(value.matches('^([1-4]|[34][(]O[)])$'))"

Invariant: sug-5
Description: "Each coding of the site has its system and its code."
Severity: #error
Expression: "bodySite.coding.all(system.exists() and code.exists())"

Invariant: sfc-1
Description: "The category of each scheme is the one that is certain; open, and only open, where just the lowest is and a higher one is possible."
Severity: #error
Expression: "component.all(iif(extension.where(url = 'https://sural.example/fhir/StructureDefinition/category-range').extension.value.code.distinct().count() = 2 and extension.where(url = 'https://sural.example/fhir/StructureDefinition/category-range').extension.where(url = 'atLeast').value.code.matches('[.](low|0)$'), value.coding.first().code.endsWith('.open'), value.coding.first().code = extension.where(url = 'https://sural.example/fhir/StructureDefinition/category-range').extension.where(url = 'atLeast').value.code))"

Invariant: sap-1
Description: "The inputs are named as sources."
Severity: #error
Expression: "entity.all(role = 'source')"

Invariant: sap-2
Description: "Each tag has its system and its code."
Severity: #error
Expression: "meta.tag.all(system.exists() and code.exists())"

Invariant: sio-1
Description: "An issue in the vocabulary of Sural has its key; where it points at the input it does so by expression."
Severity: #error
Expression: "issue.all(location.empty() and expression.count() <= 1)"

Invariant: sar-1
Description: "What is attached comes with its media type and its data."
Severity: #error
Expression: "presentedForm.all(contentType.exists() and data.exists())"
