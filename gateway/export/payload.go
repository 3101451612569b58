package export

import (
	"fmt"
	"strconv"

	"gapward/analysis"
	"gapward/gateway/store"
)

// message is what goes to one MQTT topic.
type message struct {
	topic    string
	payload  []byte
	retained bool
}

// forecastLimit is the limit whose forecast has the topic: the one to plan
// the next adjustment by.
const forecastLimit = "adjust"

// messages makes the messages of rows. On an error it gives those that can be
// made all the same.
func (m *MQTT) messages(rows Rows) ([]message, error) {
	messages := make([]message, 0, rows.Len())
	var firstErr error
	add := func(brake, kind string, retained bool, payload []byte) {
		topic, err := m.topics.of(brake, kind)
		if err != nil {
			if firstErr == nil {
				firstErr = fmt.Errorf("making the %s topic of brake %q: %w", kind, brake, err)
			}
			return
		}
		messages = append(messages, message{topic, payload, retained})
	}
	for _, r := range rows.Alarms {
		add(r.Brake, "alarm", false, withID(r.Event.AppendJSON(nil), r.ID))
	}
	for _, r := range rows.Verdicts {
		add(r.Brake, "state", true, appendState(nil, r))
	}
	for _, r := range rows.Forecasts {
		if r.Limit == forecastLimit {
			add(r.Brake, "forecast", true, withID(r.Forecast.AppendJSON(nil, r.Brake), r.ID))
		}
	}
	for _, r := range rows.Cycles {
		add(r.Brake, "cycle", false, withID(r.Cycle.AppendJSON(nil, r.Brake), r.ID))
	}
	return messages, firstErr
}

// withID adds the row's id to a JSON object, by which a receiver tells a
// message that it got twice.
func withID(object []byte, id int64) []byte {
	object = append(object[:len(object)-1], `,"id":`...)
	return append(strconv.AppendInt(object, id, 10), '}')
}

// appendState appends the verdict as a JSON object:
//
//	{"type":"state","brake":…,"time":…,"state":…,"gap_mm":…,"gap_u_mm":…,"release_ms":…,"release_u_ms":…,"set_ms":…,"set_u_ms":…,"full":…,"jogs":…}
//
// What is not known is left out.
func appendState(dst []byte, r store.VerdictRow) []byte {
	dst = append(dst, `{"type":"state","brake":`...)
	dst = strconv.AppendQuote(dst, r.Brake)
	dst = analysis.AppendJSONTime(append(dst, `,"time":`...), r.AtNS)
	dst = append(dst, `,"state":`...)
	dst = strconv.AppendQuote(dst, r.State.String())
	dst = analysis.AppendJSONNumber(dst, "gap_mm", r.GapMM, 6)
	dst = analysis.AppendJSONNumber(dst, "gap_u_mm", r.GapUMM, 6)
	dst = analysis.AppendJSONNumber(dst, "release_ms", r.ReleaseS*1e3, 3)
	dst = analysis.AppendJSONNumber(dst, "release_u_ms", r.ReleaseUS*1e3, 3)
	dst = analysis.AppendJSONNumber(dst, "set_ms", r.SetS*1e3, 3)
	dst = analysis.AppendJSONNumber(dst, "set_u_ms", r.SetUS*1e3, 3)
	dst = append(dst, `,"full":`...)
	dst = strconv.AppendInt(dst, r.Full, 10)
	dst = append(dst, `,"jogs":`...)
	dst = strconv.AppendInt(dst, r.Jogs, 10)
	return append(dst, '}')
}
