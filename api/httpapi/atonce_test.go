package httpapi_test

import (
	"encoding/json"
	"sync"
	"testing"
	"time"

	"gatewright/schema/logbook"
	"gatewright/schema/rights"
	"gatewright/sync/replay"
)

// together sends what the functions send, all at once, and counts the answers by status.
func together(n int, ask func(i int) answer) map[int]int {
	answers := make([]answer, n)
	begin := make(chan struct{})
	var all sync.WaitGroup
	for i := range n {
		all.Go(func() {
			<-begin
			answers[i] = ask(i)
		})
	}
	close(begin)
	all.Wait()
	count := map[int]int{}
	for _, a := range answers {
		count[a.status]++
	}
	return count
}

// What can be had once is had once, also by phones that ask at the same moment.
func TestOnceAmongMany(t *testing.T) {
	y := newYard(t, nil)
	site := y.site("brook")
	code := y.invitation(site.ID, rights.Crew)
	body, err := json.Marshal(object{"code": code, "name": "Dan", "device": object{"public_key": b64(make([]byte, 32))}})
	y.must(err)
	if got := together(12, func(int) answer { return y.ask("POST", "/api/v1/join", "", string(body)) }); got[200] != 1 || got[410] != 11 {
		t.Errorf("twelve with one invitation: answers %v, want one 200 and eleven 410", got)
	}
	var people, devices int
	y.must(y.db.Reader().QueryRow(`SELECT (SELECT COUNT(*) FROM people), (SELECT COUNT(*) FROM devices)`).Scan(&people, &devices))
	if people != 1 || devices != 1 {
		t.Errorf("%d people and %d devices, want one of each", people, devices)
	}

	h := y.enrol(site.ID, rights.Crew, "Irena")
	signed := h.sign()
	if got := together(12, func(int) answer { return y.ask("POST", "/api/v1/auth/token", "", signed) }); got[200] != 1 || got[401] != 11 {
		t.Errorf("twelve with one signature: answers %v, want one 200 and eleven 401", got)
	}

	h.skew = 365 * 24 * time.Hour
	several := make([]object, 8)
	for i := range several {
		several[i] = h.sign()
	}
	if got := together(len(several), func(i int) answer { return y.ask("POST", "/api/v1/auth/token", "", several[i]) }); got[200] != len(several) {
		t.Errorf("tokens: answers %v", got)
	}
	read, err := replay.Read(t.Context(), y.db, site.ID)
	y.must(err)
	clocks := 0
	for _, e := range read.Entries {
		if e.Kind == logbook.Clock {
			clocks++
		}
	}
	if clocks != 1 {
		t.Errorf("%d clock entries of eight requests at once, want one", clocks)
	}
}
