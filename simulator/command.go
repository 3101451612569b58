package simulator

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// commandForm is how a command is written.
const commandForm = "write FAULT BRAKE [AMOUNT] [lasts DURATION], or off FAULT BRAKE"

// ParseCommand reads an event that happens at once, as somebody types it while
// a simulation runs:
//
//	probe-bumped quay-2/main 0.4
//	dragging quay-2/main 0.5 lasts 2m
//	not-freeing quay-2/main
//	off not-freeing quay-2/main
//
// The event has no time. Whether the brake exists isn't known here.
func ParseCommand(line string) (Event, error) {
	var ev Event
	words := strings.Fields(line)
	if len(words) > 0 && words[0] == "off" {
		ev.Off, words = true, words[1:]
	}
	if len(words) < 2 {
		return ev, errors.New(commandForm)
	}
	ev.Fault, ev.Brake, words = Fault(words[0]), words[1], words[2:]
	if len(words) > 0 && words[0] != "lasts" {
		amount, err := strconv.ParseFloat(words[0], 64)
		if err != nil {
			return ev, fmt.Errorf("the amount is %q, which is no number; %s", words[0], commandForm)
		}
		ev.Amount, words = amount, words[1:]
	}
	if len(words) > 0 {
		if len(words) != 2 || words[0] != "lasts" {
			return ev, fmt.Errorf("%q isn't understood; %s", strings.Join(words, " "), commandForm)
		}
		lasts, err := time.ParseDuration(words[1])
		if err != nil || lasts <= 0 {
			return ev, fmt.Errorf("it lasts %q, which is no duration such as 30s; %s", words[1], commandForm)
		}
		ev.Lasts = lasts
	}
	return ev, ev.Validate()
}
