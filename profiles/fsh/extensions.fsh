Extension: CategoryRange
Id: category-range
Title: "Range of a category"
Description: "Both ends of what a category can be: `atLeast` is certain already, `atMost` is still possible while findings are missing. When both are the same the category is settled."
Context: RiskAssessment, Observation, Observation.component
* insert Published
* extension contains atLeast 1..1 and atMost 1..1
* extension[atLeast] ^short = "The category that is certain already"
* extension[atLeast].value[x] 1..1
* extension[atLeast].value[x] only Coding
* extension[atLeast].valueCoding.system 1..1
* extension[atLeast].valueCoding.code 1..1
* extension[atMost] ^short = "The highest category that is still possible"
* extension[atMost].value[x] 1..1
* extension[atMost].value[x] only Coding
* extension[atMost].valueCoding.system 1..1
* extension[atMost].valueCoding.code 1..1

Extension: WouldSettle
Id: would-settle
Title: "Factor that would settle a category"
Description: "A factor that is not known and that changes the category in some completion of the findings. One extension for each such factor; none when the category is settled."
Context: RiskAssessment, Observation
* insert Published
* value[x] 1..1
* value[x] only Coding
* valueCoding from $factor-vs (required)
* valueCoding.system 1..1
* valueCoding.code 1..1

Extension: FactorState
Id: factor-state
Title: "State of a factor"
Description: "Whether a factor of foot risk holds, of the person and of each foot, as far as it is known: what is not said is not known, and a foot that is gone has no state. Later answers are compared by it."
Context: Observation
* insert Published
* extension contains factor 1..1 and person 0..1 and left 0..1 and right 0..1
* extension[factor] ^short = "The factor"
* extension[factor].value[x] 1..1
* extension[factor].value[x] only Coding
* extension[factor].valueCoding from $factor-vs (required)
* extension[factor].valueCoding.system 1..1
* extension[factor].valueCoding.code 1..1
* extension[person] ^short = "Whether it holds of the person"
* extension[person].value[x] 1..1
* extension[person].value[x] only boolean
* extension[left] ^short = "Whether it holds of the left foot"
* extension[left].value[x] 1..1
* extension[left].value[x] only boolean
* extension[right] ^short = "Whether it holds of the right foot"
* extension[right].value[x] 1..1
* extension[right].value[x] only boolean

Extension: FeetExamined
Id: feet-examined
Title: "Day on which the feet were examined"
Description: "The last day on which something was found on the feet themselves. The time of the Observation may be later, when another finding, such as a blood test, came later; reviews are counted from this day. Absent when the feet were not examined."
Context: Observation
* insert Published
* value[x] 1..1
* value[x] only date

Extension: RecallDates
Id: recall-dates
Title: "Dates of a recall"
Description: "When the feet of a person were last examined, and from when to when they are to be examined again. Without `examined` nobody has examined them, as far as is known here."
Context: DetectedIssue
* insert Published
* extension contains examined 0..1 and due 0..1
* extension[examined] ^short = "When the feet were last examined"
* extension[examined].value[x] 1..1
* extension[examined].value[x] only date
* extension[due] ^short = "From when to when they are to be examined again, or a referral is to be seen"
* extension[due].value[x] 1..1
* extension[due].value[x] only Period
