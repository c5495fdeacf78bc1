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
