package lab

import (
	"fmt"
	"strings"

	"tapledger/rules/quantity"
)

// field is what a column holds.
type field uint8

const (
	fSample field = iota
	fActivityType
	fName
	fCAS
	fSpeciation
	fFraction
	fValue
	fUnit
	fCondition
	fQualifier
	fStatus
	fResultID
	fMethod
	fContext
	fLab
	fDate
	fTime
	fZone
	fLimitType
	fLimit
	fLimitUnit
	fLimitTypeB
	fLimitB
	fLimitUnitB
	fDilution
	fBatch
	fUncertainty
	fReport
	fRevision
	fReportStatus
	fIssued
	fReplaces
	fReceived
)

// layout is one way of naming the columns.
type layout struct {
	title string
	names map[field]string
}

// needed are the columns without which nothing can be read.
var needed = []field{fSample, fName, fValue, fUnit}

// ownColumns are not part of the exchange standard and may stand in every
// layout, for what it has no column for.
var ownColumns = map[field]string{
	fBatch: "BatchIdentifier", fUncertainty: "ExpandedUncertainty", fReport: "ReportNumber", fRevision: "ReportRevision",
	fReportStatus: "ReportStatus", fIssued: "ReportIssued", fReplaces: "ReportReplaces", fReceived: "SamplesReceived", fDilution: "DilutionFactor",
}

// layouts, by their column of the analyte. Names from the WQX standard: the
// legacy export, the submission format and the 3.0 export.
var layouts = []*layout{
	{"WQX legacy", map[field]string{
		fSample: "ActivityIdentifier", fActivityType: "ActivityTypeCode", fName: "CharacteristicName", fSpeciation: "MethodSpeciationName",
		fFraction: "ResultSampleFractionText", fValue: "ResultMeasureValue", fUnit: "ResultMeasure/MeasureUnitCode",
		fCondition: "ResultDetectionConditionText", fQualifier: "MeasureQualifierCode", fStatus: "ResultStatusIdentifier",
		fResultID: "ResultIdentifier", fMethod: "ResultAnalyticalMethod/MethodIdentifier", fContext: "ResultAnalyticalMethod/MethodIdentifierContext",
		fLab: "LaboratoryName", fDate: "AnalysisStartDate", fTime: "AnalysisStartTime/Time", fZone: "AnalysisStartTime/TimeZoneCode",
		fLimitType: "DetectionQuantitationLimitTypeName", fLimit: "DetectionQuantitationLimitMeasure/MeasureValue",
		fLimitUnit: "DetectionQuantitationLimitMeasure/MeasureUnitCode",
	}},
	{"WQX submission", map[field]string{
		fSample: "Activity ID", fActivityType: "Activity Type", fName: "Characteristic Name", fSpeciation: "Method Speciation",
		fFraction: "Result Sample Fraction", fValue: "Result Value", fUnit: "Result Unit", fCondition: "Result Detection Condition",
		fQualifier: "Result Qualifier", fStatus: "Result Status ID", fMethod: "Result Analytical Method ID", fContext: "Result Analytical Method Context",
		fLab: "Laboratory Name", fDate: "Analysis Start Date", fTime: "Analysis Start Time", fZone: "Analysis Start Time Zone",
		fLimitType: "Result Detection/Quantitation Limit Type", fLimit: "Result Detection/Quantitation Limit Measure",
		fLimitUnit: "Result Detection/Quantitation Limit Unit", fDilution: "Substance Dilution Factor",
	}},
	{"WQX 3.0", map[field]string{
		fSample: "Activity_ActivityIdentifier", fActivityType: "Activity_TypeCode", fName: "Result_Characteristic", fCAS: "Result_CASNumber",
		fSpeciation: "Result_MethodSpeciation", fFraction: "Result_SampleFraction", fValue: "Result_Measure", fUnit: "Result_MeasureUnit",
		fCondition: "Result_ResultDetectionCondition", fQualifier: "Result_MeasureQualifierCode", fStatus: "Result_MeasureStatusIdentifier",
		fResultID: "Result_MeasureIdentifier", fMethod: "ResultAnalyticalMethod_Identifier", fContext: "ResultAnalyticalMethod_IdentifierContext",
		fLab: "LabInfo_Name", fDate: "LabInfo_AnalysisStartDate", fTime: "LabInfo_AnalysisStartTime", fZone: "LabInfo_AnalysisStartTimeZone",
		fLimitType: "DetectionLimit_TypeA", fLimit: "DetectionLimit_MeasureA", fLimitUnit: "DetectionLimit_MeasureUnitA",
		fLimitTypeB: "DetectionLimit_TypeB", fLimitB: "DetectionLimit_MeasureB", fLimitUnitB: "DetectionLimit_MeasureUnitB",
		fDilution: "LabSamplePrepMethod_DilutionFactor",
	}},
}

// columnsOf maps the fields of a layout, and our own, to the header's columns.
func columnsOf(header []string, names map[field]string) map[field]int {
	byName := map[string]int{}
	for i, h := range header {
		byName[normal(h)] = i
	}
	at := map[field]int{}
	for _, set := range []map[field]string{ownColumns, names} { // the layout's own name wins
		for f, n := range set {
			if i, ok := byName[normal(n)]; ok {
				at[f] = i
			}
		}
	}
	return at
}

// findColumns decides which layout a file has and where its columns are. A
// column that is nearly one of the layout's is a fault: a detection condition
// that is not read because of a slip would turn non-detects into gaps.
func (p *parser) findColumns() bool {
	most := -1
	for _, l := range layouts {
		at := columnsOf(p.table.header, l.names)
		score := 0
		for _, f := range needed {
			if _, ok := at[f]; ok {
				score++
			}
		}
		if score > most {
			most, p.layout, p.at = score, l, at
		}
	}
	if most == 0 {
		p.faults = append(p.faults, Fault{File: p.name, Line: 1, Says: "the columns have none of the names of a known layout",
			Hint: "WQX column names are wanted, such as ActivityIdentifier, CharacteristicName, ResultMeasureValue, ResultMeasure/MeasureUnitCode"})
		return false
	}
	p.sheet.Layout = p.layout.title
	known := map[int]bool{}
	for _, i := range p.at {
		known[i] = true
	}
	missing := map[field]bool{}
	for f := fSample; f <= fReceived; f++ {
		name, ok := p.layout.names[f]
		if !ok {
			name = ownColumns[f]
		}
		if _, there := p.at[f]; there || name == "" {
			continue
		}
		missing[f] = true
		if h := nearHeader(p.table.header, known, name); h != "" {
			p.faults = append(p.faults, Fault{File: p.name, Line: 1, Column: h, Says: "no column has this name", Hint: fmt.Sprintf("did you mean %q?", name)})
			missing[f] = false
		}
	}
	for _, f := range needed {
		if missing[f] {
			p.faults = append(p.faults, Fault{File: p.name, Line: 1, Says: fmt.Sprintf("the column %q is missing", p.layout.names[f]),
				Hint: "the file must have WQX column names; read as " + p.layout.title})
		}
	}
	for i, h := range p.table.header {
		if !known[i] && h != "" {
			p.sheet.Ignored = append(p.sheet.Ignored, h)
		}
	}
	return len(p.faults) == 0
}

// nearHeader finds an unread column whose name is nearly the wanted one.
func nearHeader(header []string, known map[int]bool, want string) string {
	var free []string
	byText := map[string]string{}
	for i, h := range header {
		if !known[i] && h != "" {
			n := strings.ReplaceAll(normal(h), " ", "")
			free = append(free, n)
			byText[n] = h
		}
	}
	n := strings.ReplaceAll(normal(want), " ", "")
	return byText[quantity.Nearest(n, free)]
}
