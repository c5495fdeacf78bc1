Profile: ReferralProposal
Parent: ServiceRequest
Id: referral-proposal
Title: "Referral proposal"
Description: "A proposal, never an order: to whom, how urgent, in which window, and why. Active when complete, a draft while it still needs information."
* insert Written
* insert Identified
* obeys srp-1 and srp-2 and srp-3
* requisition 1..1
* requisition ^short = "All proposals of one answer share it"
* requisition.system 1..1
* requisition.value 1..1
* intent = #proposal
* doNotPerform 0..0
* category 1..*
* insert BySystem(category)
* category contains referral 1..1
* category[referral] = $service#referral
* priority 1..1
* code 1..1
* code.text 1..1
* code.coding 1..*
* insert BySystem(code.coding)
* code.coding contains service 1..1
* code.coding[service] from $service-vs (required)
* code.coding[service] ^patternCoding.system = "https://sural.example/fhir/CodeSystem/service"
* subject only Reference(Patient)
* occurrence[x] 1..1
* occurrence[x] only Period
* occurrencePeriod.start 1..1
* occurrencePeriod.end 1..1
* authoredOn 1..1
* requester 1..1
* requester only Reference(Device)
* reasonReference 1..*
* reasonReference only Reference(Observation)
* supportingInfo 1..*
* note 1..*
