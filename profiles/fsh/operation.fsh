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

Instance: assess-and-store-lower-limb
InstanceOf: OperationDefinition
Usage: #definition
Title: "Assess a lower limb and store the answer"
Description: "Reads the findings of foot and lower-limb neurological examinations, stores the answer and returns it as it is stored."
* url = "https://sural.example/fhir/OperationDefinition/assess-and-store-lower-limb"
* version = "0.1.0"
* name = "AssessAndStoreLowerLimb"
* title = "Assess a lower limb and store the answer"
* status = #active
* kind = #operation
* experimental = false
* date = "2026-11-25"
* publisher = "The Sural project"
* description = "Assesses as assess-lower-limb does, stores the answer and returns its resources with their ids. The same examination sent again changes nothing; with other findings its resources are amended in place, and what no longer follows is entered in error; open proposals of an earlier examination of the patient are revoked by a later one."
* affectsState = true
* code = #assess-and-store-lower-limb
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
* insert In(6, preliminary, 0, 1, boolean, [["Whether preliminary results are read. The answer is then preliminary too. False when it is not given."]])
* insert In(7, calendar, 0, 1, code, [["The working-day calendar for due dates, in place of the pathway's."]])
* insert In(8, concept-map, 0, *, ConceptMap, [["A site's own ConceptMap, laid over the published terminology, so that findings in local codes are understood."]])
* insert In(9, report, 0, 1, code, [["The DiagnosticReport of the answer: none, text (its narrative), or picture (a picture of both legs as well). Text when it is not given."]])
* parameter[10].name = #return
* parameter[10].use = #out
* parameter[10].min = 1
* parameter[10].max = "1"
* parameter[10].type = #Bundle
* parameter[10].documentation = "The answer: a collection of the resources as they are stored, and the intake report as an OperationOutcome."

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
* parameter[5].part[0].name = #used
* parameter[5].part[0].use = #out
* parameter[5].part[0].min = 1
* parameter[5].part[0].max = "1"
* parameter[5].part[0].type = #integer
* parameter[5].part[0].documentation = "How many resources were used."
* parameter[5].part[1].name = #superseded
* parameter[5].part[1].use = #out
* parameter[5].part[1].min = 1
* parameter[5].part[1].max = "1"
* parameter[5].part[1].type = #integer
* parameter[5].part[1].documentation = "How many resources were superseded by a later reading."
* parameter[5].part[2].name = #notRelevant
* parameter[5].part[2].use = #out
* parameter[5].part[2].min = 1
* parameter[5].part[2].max = "1"
* parameter[5].part[2].type = #integer
* parameter[5].part[2].documentation = "How many resources were not relevant."
* parameter[5].part[3].name = #unusable
* parameter[5].part[3].use = #out
* parameter[5].part[3].min = 1
* parameter[5].part[3].max = "1"
* parameter[5].part[3].type = #integer
* parameter[5].part[3].documentation = "How many resources were unusable."
* parameter[6].part[0].name = #role
* parameter[6].part[0].use = #out
* parameter[6].part[0].min = 1
* parameter[6].part[0].max = "1"
* parameter[6].part[0].type = #code
* parameter[6].part[0].documentation = "code, value or site."
* parameter[6].part[1].name = #coding
* parameter[6].part[1].use = #out
* parameter[6].part[1].min = 0
* parameter[6].part[1].max = "1"
* parameter[6].part[1].type = #Coding
* parameter[6].part[1].documentation = "The coding as it came."
* parameter[6].part[2].name = #count
* parameter[6].part[2].use = #out
* parameter[6].part[2].min = 1
* parameter[6].part[2].max = "1"
* parameter[6].part[2].type = #integer
* parameter[6].part[2].documentation = "How often it came."
* parameter[6].part[3].name = #understood
* parameter[6].part[3].use = #out
* parameter[6].part[3].min = 0
* parameter[6].part[3].max = "1"
* parameter[6].part[3].type = #string
* parameter[6].part[3].documentation = "What it was understood as."
* parameter[6].part[4].name = #used
* parameter[6].part[4].use = #out
* parameter[6].part[4].min = 0
* parameter[6].part[4].max = "1"
* parameter[6].part[4].type = #integer
* parameter[6].part[4].documentation = "How many of its resources were used."
* parameter[6].part[5].name = #superseded
* parameter[6].part[5].use = #out
* parameter[6].part[5].min = 0
* parameter[6].part[5].max = "1"
* parameter[6].part[5].type = #integer
* parameter[6].part[5].documentation = "How many of its resources were superseded by a later reading."
* parameter[6].part[6].name = #notRelevant
* parameter[6].part[6].use = #out
* parameter[6].part[6].min = 0
* parameter[6].part[6].max = "1"
* parameter[6].part[6].type = #integer
* parameter[6].part[6].documentation = "How many of its resources were not relevant."
* parameter[6].part[7].name = #unusable
* parameter[6].part[7].use = #out
* parameter[6].part[7].min = 0
* parameter[6].part[7].max = "1"
* parameter[6].part[7].type = #integer
* parameter[6].part[7].documentation = "How many of its resources were unusable."
* parameter[6].part[8].name = #reason
* parameter[6].part[8].use = #out
* parameter[6].part[8].min = 0
* parameter[6].part[8].max = "*"
* parameter[6].part[8].documentation = "A kind of trouble."
* parameter[6].part[8].part[0].name = #issue
* parameter[6].part[8].part[0].use = #out
* parameter[6].part[8].part[0].min = 1
* parameter[6].part[8].part[0].max = "1"
* parameter[6].part[8].part[0].type = #code
* parameter[6].part[8].part[0].documentation = "The key of the issue."
* parameter[6].part[8].part[1].name = #count
* parameter[6].part[8].part[1].use = #out
* parameter[6].part[8].part[1].min = 1
* parameter[6].part[8].part[1].max = "1"
* parameter[6].part[8].part[1].type = #integer
* parameter[6].part[8].part[1].documentation = "How often."
* parameter[7].part[0].name = #concept
* parameter[7].part[0].use = #out
* parameter[7].part[0].min = 1
* parameter[7].part[0].max = "1"
* parameter[7].part[0].type = #code
* parameter[7].part[0].documentation = "Our code of the finding."
* parameter[7].part[1].name = #count
* parameter[7].part[1].use = #out
* parameter[7].part[1].min = 1
* parameter[7].part[1].max = "1"
* parameter[7].part[1].type = #integer
* parameter[7].part[1].documentation = "How many findings."
* parameter[8].part[0].name = #worse
* parameter[8].part[0].use = #out
* parameter[8].part[0].min = 1
* parameter[8].part[0].max = "1"
* parameter[8].part[0].type = #boolean
* parameter[8].part[0].documentation = "Whether anything is understood less than before, or a verified mapping is contradicted."
* parameter[8].part[1].name = #counts-before
* parameter[8].part[1].use = #out
* parameter[8].part[1].min = 1
* parameter[8].part[1].max = "1"
* parameter[8].part[1].documentation = "How many resources ended as what without the ConceptMaps."
* parameter[8].part[1].part[0].name = #used
* parameter[8].part[1].part[0].use = #out
* parameter[8].part[1].part[0].min = 1
* parameter[8].part[1].part[0].max = "1"
* parameter[8].part[1].part[0].type = #integer
* parameter[8].part[1].part[0].documentation = "How many were used."
* parameter[8].part[1].part[1].name = #superseded
* parameter[8].part[1].part[1].use = #out
* parameter[8].part[1].part[1].min = 1
* parameter[8].part[1].part[1].max = "1"
* parameter[8].part[1].part[1].type = #integer
* parameter[8].part[1].part[1].documentation = "How many were superseded by a later reading."
* parameter[8].part[1].part[2].name = #notRelevant
* parameter[8].part[1].part[2].use = #out
* parameter[8].part[1].part[2].min = 1
* parameter[8].part[1].part[2].max = "1"
* parameter[8].part[1].part[2].type = #integer
* parameter[8].part[1].part[2].documentation = "How many were not relevant."
* parameter[8].part[1].part[3].name = #unusable
* parameter[8].part[1].part[3].use = #out
* parameter[8].part[1].part[3].min = 1
* parameter[8].part[1].part[3].max = "1"
* parameter[8].part[1].part[3].type = #integer
* parameter[8].part[1].part[3].documentation = "How many were unusable."
* parameter[8].part[2].name = #change
* parameter[8].part[2].use = #out
* parameter[8].part[2].min = 0
* parameter[8].part[2].max = "*"
* parameter[8].part[2].documentation = "What changes for one coding."
* parameter[8].part[2].part[0].name = #kind
* parameter[8].part[2].part[0].use = #out
* parameter[8].part[2].part[0].min = 1
* parameter[8].part[2].part[0].max = "1"
* parameter[8].part[2].part[0].type = #code
* parameter[8].part[2].part[0].documentation = "gained, lost or otherwise."
* parameter[8].part[2].part[1].name = #role
* parameter[8].part[2].part[1].use = #out
* parameter[8].part[2].part[1].min = 1
* parameter[8].part[2].part[1].max = "1"
* parameter[8].part[2].part[1].type = #code
* parameter[8].part[2].part[1].documentation = "code, value or site."
* parameter[8].part[2].part[2].name = #coding
* parameter[8].part[2].part[2].use = #out
* parameter[8].part[2].part[2].min = 0
* parameter[8].part[2].part[2].max = "1"
* parameter[8].part[2].part[2].type = #Coding
* parameter[8].part[2].part[2].documentation = "The coding."
* parameter[8].part[2].part[3].name = #before
* parameter[8].part[2].part[3].use = #out
* parameter[8].part[2].part[3].min = 0
* parameter[8].part[2].part[3].max = "1"
* parameter[8].part[2].part[3].type = #string
* parameter[8].part[2].part[3].documentation = "What it was understood as."
* parameter[8].part[2].part[4].name = #after
* parameter[8].part[2].part[4].use = #out
* parameter[8].part[2].part[4].min = 0
* parameter[8].part[2].part[4].max = "1"
* parameter[8].part[2].part[4].type = #string
* parameter[8].part[2].part[4].documentation = "What it is understood as."
* parameter[8].part[2].part[5].name = #read-before
* parameter[8].part[2].part[5].use = #out
* parameter[8].part[2].part[5].min = 1
* parameter[8].part[2].part[5].max = "1"
* parameter[8].part[2].part[5].type = #integer
* parameter[8].part[2].part[5].documentation = "How many of its resources were read."
* parameter[8].part[2].part[6].name = #read-after
* parameter[8].part[2].part[6].use = #out
* parameter[8].part[2].part[6].min = 1
* parameter[8].part[2].part[6].max = "1"
* parameter[8].part[2].part[6].type = #integer
* parameter[8].part[2].part[6].documentation = "How many of its resources are read."
* parameter[8].part[3].name = #finding
* parameter[8].part[3].use = #out
* parameter[8].part[3].min = 0
* parameter[8].part[3].max = "*"
* parameter[8].part[3].documentation = "A finding whose number changes."
* parameter[8].part[3].part[0].name = #concept
* parameter[8].part[3].part[0].use = #out
* parameter[8].part[3].part[0].min = 1
* parameter[8].part[3].part[0].max = "1"
* parameter[8].part[3].part[0].type = #code
* parameter[8].part[3].part[0].documentation = "Our code of it."
* parameter[8].part[3].part[1].name = #before
* parameter[8].part[3].part[1].use = #out
* parameter[8].part[3].part[1].min = 1
* parameter[8].part[3].part[1].max = "1"
* parameter[8].part[3].part[1].type = #integer
* parameter[8].part[3].part[1].documentation = "How many there were."
* parameter[8].part[3].part[2].name = #after
* parameter[8].part[3].part[2].use = #out
* parameter[8].part[3].part[2].min = 1
* parameter[8].part[3].part[2].max = "1"
* parameter[8].part[3].part[2].type = #integer
* parameter[8].part[3].part[2].documentation = "How many there are."
* parameter[8].part[4].name = #contradiction
* parameter[8].part[4].use = #out
* parameter[8].part[4].min = 0
* parameter[8].part[4].max = "*"
* parameter[8].part[4].documentation = "A code that is mapped to something else than in the published map."
* parameter[8].part[4].part[0].name = #coding
* parameter[8].part[4].part[0].use = #out
* parameter[8].part[4].part[0].min = 1
* parameter[8].part[4].part[0].max = "1"
* parameter[8].part[4].part[0].type = #Coding
* parameter[8].part[4].part[0].documentation = "The coding."
* parameter[8].part[4].part[1].name = #published
* parameter[8].part[4].part[1].use = #out
* parameter[8].part[4].part[1].min = 1
* parameter[8].part[4].part[1].max = "1"
* parameter[8].part[4].part[1].type = #string
* parameter[8].part[4].part[1].documentation = "What the published map says."
* parameter[8].part[4].part[2].name = #overlay
* parameter[8].part[4].part[2].use = #out
* parameter[8].part[4].part[2].min = 1
* parameter[8].part[4].part[2].max = "1"
* parameter[8].part[4].part[2].type = #string
* parameter[8].part[4].part[2].documentation = "What this map says."
* parameter[8].part[4].part[3].name = #verified
* parameter[8].part[4].part[3].use = #out
* parameter[8].part[4].part[3].min = 1
* parameter[8].part[4].part[3].max = "1"
* parameter[8].part[4].part[3].type = #boolean
* parameter[8].part[4].part[3].documentation = "Whether the published mapping is verified."
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

Instance: recall
InstanceOf: OperationDefinition
Usage: #definition
Title: "Recall"
Description: "Who is to be examined again: due, overdue, lost, unsettled, or referred and not seen."
* url = "https://sural.example/fhir/OperationDefinition/recall"
* version = "0.1.0"
* name = "Recall"
* title = "Recall"
* status = #active
* kind = #operation
* experimental = false
* date = "2026-11-27"
* publisher = "The Sural project"
* description = "Reads the stored answers and says for a day who is due, overdue, lost, unsettled (with the tests that would settle), or referred and not seen, each with reasons and dates. Everybody whom the store knows is judged; what is missing takes nobody off the list."
* affectsState = false
* code = #recall
* comment = "Asked for by GET. Without _count the answer is one page of up to 200 persons; follow the next links. With Accept: text/csv or _format=csv the whole list comes as CSV, the most urgent first."
* system = true
* type = false
* instance = false
* insert In(0, as-of, 0, 1, date, [["The day for which the list is made. Today when it is not given."]])
* insert In(1, state, 0, *, code, [["Only those in one of these states or places: lost, overdue, due, unsettled, referred-not-seen, not-due, outside, ended. All that ask for something when none is named."]])
* insert In(2, service, 0, *, code, [["Only those with a referral to one of these services that was not seen."]])
* insert In(3, source, 0, 1, uri, [["Only persons of one record system, by the address of its FHIR endpoint."]])
* insert In(4, _count, 0, 1, integer, [["How many persons a page holds: 200 when it is not given, 1000 at most."]])
* parameter[5].name = #return
* parameter[5].use = #out
* parameter[5].min = 1
* parameter[5].max = "1"
* parameter[5].type = #Bundle
* parameter[5].documentation = "A collection of DetectedIssues after the profile recall-issue, with links to further pages: one for each state of a person, those of a person one after the other, persons in the order of their references."
