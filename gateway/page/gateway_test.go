package page

import (
	"math"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// TestBoardTellsWhyTheGatewayHasAFault wants the reason in words, escaped, and
// the brakes still there.
func TestBoardTellsWhyTheGatewayHasAFault(t *testing.T) {
	d, data := harbourSite(t)
	data.change(func() {
		data.active = append(data.active, store.AlarmRow{Event: alerts.Event{AtNS: ago(time.Minute), SinceNS: ago(time.Minute), Condition: analysis.GatewayFault,
			Change: alerts.Raised, State: alerts.Unacknowledged, Value: math.NaN(), U: math.NaN(), Limit: math.NaN(), Detail: "the database takes nothing: <full>"}})
	})
	board := get(serverOf(t, d), "/").Body.String()
	for _, want := range []string{"gapward itself has a fault", "the database takes nothing: &lt;full&gt;", "quay-2/main"} {
		if !strings.Contains(board, want) {
			t.Errorf("the board doesn't say %q", want)
		}
	}
}
