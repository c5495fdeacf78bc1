Instance: assess-lower-limb
InstanceOf: OperationDefinition
Usage: #definition
Title: "Assess a lower limb"
Description: "Reads the findings of foot and lower-limb neurological examinations and returns foot risk, neuropathy and referral proposals."
* url = "https://sural.example/fhir/OperationDefinition/assess-lower-limb"
* version = "0.1.0"
* name = "AssessLowerLimb"
* title = "Assess a lower limb"
* status = #active
* kind = #operation
* experimental = false
* date = "2026-11-25"
* publisher = "The Sural project"
* description = "Reads the findings of foot and lower-limb neurological examinations and returns foot risk, neuropathy and referral proposals as one Bundle. The same input, day and rule set give the same answer; nothing is stored. A single Bundle or resource may be the whole body, with the other parameters in the query. The resources of a `collection` carry no id: they are not stored."
* affectsState = false
* code = #assess-lower-limb
* comment = "An input that cannot be assessed as a whole is refused with an OperationOutcome. Faults of single resources do not stop the assessment: they stand in the OperationOutcome of the answer."
* system = true
* type = false
* instance = false
* insert In(0, exam, 1, *, Resource, [["What to assess: a Bundle of any kind that can be read, or a single resource such as an Observation or a QuestionnaireResponse. Several are read together."]])
* insert In(1, scheme, 0, *, code, [["A scheme of foot risk to apply, such as nice-ng19-2019, iwgdf-2023 or scotland-2016. All of them when none is named. The scheme that the pathway follows is always applied."]])
* insert In(2, pathway, 0, 1, code, [["The pathway that says who is asked and how soon; ng19 when none is named."]])
* insert In(3, as-of, 0, 1, date, [["The day of assessment: ages, look-back and due dates are counted from it. Today when it is not given."]])
* insert In(4, lookback, 0, 1, string, [["How old a finding may be to be used, as an ISO 8601 duration; P12M when it is not given. History never expires."]])
* insert In(5, complete, 0, *, code, [["What the sender declares complete: inspection, history, or both. What then is not recorded is read as absent. An assertion of the sender, never a default; the answer says that it was made."]])
* insert In(6, output, 0, 1, code, [["The form of the answer: bundle, transaction (to post back; sending it twice changes nothing), summary, report (text) or html (one page). The last three are not FHIR. A bundle when it is not given."]])
* insert In(7, trace, 0, 1, boolean, [["Whether the answer carries the trace: each rule that fired, its source and the findings it used, as Parameters. False when it is not given."]])
* insert In(8, preliminary, 0, 1, boolean, [["Whether preliminary results are read. The answer is then preliminary too. False when it is not given."]])
* insert In(9, calendar, 0, 1, code, [["The working-day calendar for due dates, in place of the pathway's."]])
* insert In(10, concept-map, 0, *, ConceptMap, [["A site's own ConceptMap, laid over the published terminology, so that findings in local codes are understood."]])
* insert In(11, report, 0, 1, code, [["The DiagnosticReport of the answer: none, text (its narrative), or picture (a picture of both legs as well). Text when it is not given."]])
* parameter[12].name = #return
* parameter[12].use = #out
* parameter[12].min = 1
* parameter[12].max = "1"
* parameter[12].type = #Bundle
* parameter[12].documentation = "The answer: a collection or, on request, a transaction. The intake report stands in it as an OperationOutcome."

Instance: lower-limb-intake
InstanceOf: OperationDefinition
Usage: #definition
Title: "What of a lower-limb extract is understood"
Description: "Reads an extract without assessing it and says, per code, what is understood and what is not."
* url = "https://sural.example/fhir/OperationDefinition/lower-limb-intake"
* version = "0.1.0"
* name = "LowerLimbIntake"
* title = "What of a lower-limb extract is understood"
* status = #active
* kind = #operation
* experimental = false
* date = "2026-11-25"
* publisher = "The Sural project"
* description = "Reads an extract without assessing it and says per code, coded value and body site what it was understood as, what became of the resources and why, worst first; what a site's ConceptMaps change in that; and a ConceptMap to fill in for what is not understood. Nothing is stored. The answer holds codes and counts only."
* affectsState = false
* code = #lower-limb-intake
* comment = "An extract of which nothing can be read is refused with an OperationOutcome. NDJSON is read as well."
* system = true
* type = false
* instance = false
* insert In(0, exam, 1, *, Resource, [["The extract: a Bundle of any kind that can be read, or a single resource. Several are read together."]])
* insert In(1, as-of, 0, 1, date, [["The day from which look-back is counted. Today when it is not given."]])
* insert In(2, lookback, 0, 1, string, [["How old a finding may be to be used, as an ISO 8601 duration; P12M when it is not given."]])
* insert In(3, preliminary, 0, 1, boolean, [["Whether preliminary results are read. False when it is not given."]])
* insert In(4, concept-map, 0, *, ConceptMap, [["A site's own ConceptMap; the answer then says what it changes."]])
* insert Out(5, counts, 1, 1, [["How many resources ended as what: used, superseded, notRelevant, unusable, each a part with an integer."]])
* insert Out(6, code, 0, *, [["One code: parts role (code, value or site), coding, count, understood, how many resources ended as what, and a reason (issue, count) for each kind of trouble. Worst first."]])
* insert Out(7, finding, 0, *, [["How many findings an assessment would have of a concept: parts concept and count."]])
* insert Out(8, effect, 0, 1, [["With a concept-map: parts worse, counts-before, change (kind gained, lost or otherwise; before, after, read-before, read-after), finding (concept, before, after) and contradiction (coding, published, overlay, verified)."]])
* parameter[9].name = #starter-concept-map
* parameter[9].use = #out
* parameter[9].min = 0
* parameter[9].max = "1"
* parameter[9].type = #ConceptMap
* parameter[9].documentation = "The codes that are not understood, to fill in: each is unmatched until somebody who knows it says what it means."
* parameter[10].name = #outcome
* parameter[10].use = #out
* parameter[10].min = 1
* parameter[10].max = "1"
* parameter[10].type = #OperationOutcome
* parameter[10].documentation = "Every issue, with the FHIRPath of what it is about."

RuleSet: In(index, name, min, max, type, documentation)
* parameter[{index}].name = #{name}
* parameter[{index}].use = #in
* parameter[{index}].min = {min}
* parameter[{index}].max = "{max}"
* parameter[{index}].type = #{type}
* parameter[{index}].documentation = {documentation}

RuleSet: Out(index, name, min, max, documentation)
* parameter[{index}].name = #{name}
* parameter[{index}].use = #out
* parameter[{index}].min = {min}
* parameter[{index}].max = "{max}"
* parameter[{index}].documentation = {documentation}
