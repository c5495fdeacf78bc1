"""Synthetic foot-exam Bundle: 1 Patient, 1 Condition, 40 Observations. Codes are SHAPES for timing, not verified clinical codes."""
import json
import random
import sys

SCT="http://snomed.info/sct"; LN="http://loinc.org"; UC="http://unitsofmeasure.org"; LOC="http://example.org/fhir/CodeSystem/foot-exam"
R=("7769000","Right foot structure"); L=("22335008","Left foot structure")
ITEMS=[("mono-hallux","bool"),("mono-mt1","bool"),("mono-mt3","bool"),("mono-mt5","bool"),("vib-hallux","q","V"),("vib-malleolus","q","V"),("pinprick","cc"),("temp-sense","cc"),("ankle-reflex","cc"),("knee-reflex","cc"),
("dp-pulse","cc"),("pt-pulse","cc"),("abi","qc","1"),("tbi","q","1"),("deformity","cc"),("callus","bool"),("ulcer-history","bool"),("amputation","bool"),("dorsiflexion","cc"),("skin-temp","q","Cel")]
def bundle(i=0, seed=None):
    r=random.Random(i if seed is None else seed)
    pid=f"p{i}"; e=[]
    def add(res): e.append({"fullUrl":f"http://example.org/fhir/{res['resourceType']}/{res['id']}","resource":res})
    add({"resourceType":"Patient","id":pid,"meta":{"lastUpdated":"2026-03-01T10:00:00.000+02:00"},"identifier":[{"use":"usual","type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"MR"}]},"system":"http://hospital.example.org/mrn","value":str(100000+i)}],"active":True,"name":[{"use":"official","family":f"Fam{i}","given":["Giv","Mid"]}],"telecom":[{"system":"phone","value":"555-0100","use":"home"}],"gender":"female","birthDate":"1957-04-11","address":[{"use":"home","line":["1 Main St"],"city":"Town","postalCode":"12345","country":"XX"}]})
    add({"resourceType":"Condition","id":f"c{i}","clinicalStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-clinical","code":"active"}]},"verificationStatus":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-ver-status","code":"confirmed"}]},"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/condition-category","code":"problem-list-item"}]}],"code":{"coding":[{"system":SCT,"code":"44054006","display":"Diabetes mellitus type 2"}],"text":"T2DM"},"subject":{"reference":f"Patient/{pid}"},"onsetDateTime":"2011-05-04"})
    for side in (R,L):
        for it in ITEMS:
            o={"resourceType":"Observation","id":f"o{i}-{it[0]}-{'r' if side is R else 'l'}","meta":{"versionId":"1","lastUpdated":"2026-03-01T10:00:00.000+02:00","profile":["http://example.org/fhir/StructureDefinition/foot-exam-observation"]},
               "status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"exam","display":"Exam"}]}],
               "code":{"coding":[{"system":LOC,"code":it[0],"display":it[0].replace('-',' ')},{"system":SCT,"code":str(100000000+sum(map(ord,it[0]))*7),"display":"Finding of "+it[0]}],"text":it[0]},
               "subject":{"reference":f"Patient/{pid}"},"encounter":{"reference":f"Encounter/e{i}"},"effectiveDateTime":"2026-03-01T09:30:00+02:00","issued":"2026-03-01T09:35:10.000+02:00","performer":[{"reference":"Practitioner/dr1","display":"Dr X"}],
               "bodySite":{"coding":[{"system":SCT,"code":side[0],"display":side[1]}]}}
            k=it[1]
            if k=="bool": o["valueBoolean"]=r.random()<.7
            elif k=="q": o["valueQuantity"]={"value":round(r.uniform(0.4,30),2),"unit":it[2],"system":UC,"code":it[2]}
            elif k=="cc": o["valueCodeableConcept"]={"coding":[{"system":SCT,"code":r.choice(["260413007","260385009","10828004"]),"display":"Present"}]}
            else:
                o["component"]=[{"code":{"coding":[{"system":LOC,"code":c}]},"valueQuantity":{"value":r.randint(80,180),"unit":"mmHg","system":UC,"code":"mm[Hg]"}} for c in("ankle-systolic","arm-systolic")]
                o["valueQuantity"]={"value":round(r.uniform(.4,1.4),2),"unit":"1","system":UC,"code":"1"}
            add(o)
    return {"resourceType":"Bundle","id":f"b{i}","type":"collection","timestamp":"2026-03-01T10:00:00.000+02:00","entry":e}
if __name__=="__main__":
    n=int(sys.argv[1]) if len(sys.argv)>1 else 1
    for i in range(n): print(json.dumps(bundle(i),separators=(',',':')))
