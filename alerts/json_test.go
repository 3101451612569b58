package alerts

import (
	"math"
	"testing"

	"gapward/analysis"
)

func TestEventAsJSON(t *testing.T) {
	for want, e := range map[string]Event{
		`{"type":"alarm","brake":"quay-2/main","time":"2026-09-21T14:13:20Z","condition":"gap-adjust","state":"raised","value":2.79,"unit":"mm","limit":2.8}`: {
			AtNS: 1790000000e9, Brake: "quay-2/main", Condition: analysis.GapAdjust, Change: Raised, Value: 2.79, Limit: 2.8, Unit: "mm"},
		`{"type":"alarm","brake":"x","time":"2026-09-21T14:13:20.5Z","condition":"signal-fault","state":"cleared","value":0,"unit":"s","signal":"travel"}`: {
			AtNS: 1790000000500000000, Brake: "x", Condition: analysis.SignalFault, Change: Cleared, Limit: math.NaN(), Unit: "s", Signal: "travel"},
		`{"type":"alarm","brake":"","time":"2026-09-21T14:13:20Z","condition":"gateway-fault","state":"raised","unit":"","detail":"the database takes nothing: \"full\""}`: {
			AtNS: 1790000000e9, Condition: analysis.GatewayFault, Change: Raised, Value: math.NaN(), Limit: math.NaN(), Detail: `the database takes nothing: "full"`},
	} {
		if got := string(e.AppendJSON(nil)); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
}
