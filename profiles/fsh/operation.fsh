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

RuleSet: In(index, name, min, max, type, documentation)
* parameter[{index}].name = #{name}
* parameter[{index}].use = #in
* parameter[{index}].min = {min}
* parameter[{index}].max = "{max}"
* parameter[{index}].type = #{type}
* parameter[{index}].documentation = {documentation}
