package wire

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/fxamacker/cbor/v2"
	"github.com/google/go-cmp/cmp"

	"gatewright/sync/change"
)

// captured is one frame that a stock client or server put on a socket, with
// the reading of it by the JavaScript libraries.
type captured struct {
	Session, From, Hex, Type string
	Fields                   map[string]any
	Payload                  byte
	Sync                     *struct {
		Heads, Need []string
		Have        []struct {
			LastSync []string
			Bloom    string
		}
		Changes []string // hashes
	}
}

func frames(t testing.TB) []captured {
	t.Helper()
	b, err := os.ReadFile("testdata/frames.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Frames []captured }
	if err := json.Unmarshal(b, &file); err != nil {
		t.Fatal(err)
	}
	return file.Frames
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// plain writes a message as the fixture writes it.
func plain(m Message) map[string]any {
	meta := func(m Metadata) map[string]any {
		out := map[string]any{"isEphemeral": m.IsEphemeral}
		if m.StorageID != "" {
			out["storageId"] = m.StorageID
		}
		return out
	}
	switch m := m.(type) {
	case Join:
		v := make([]any, len(m.Versions))
		for i := range v {
			v[i] = m.Versions[i]
		}
		return map[string]any{"senderId": m.SenderID, "peerMetadata": meta(m.Metadata), "supportedProtocolVersions": v}
	case Peer:
		return map[string]any{"senderId": m.SenderID, "targetId": m.TargetID, "peerMetadata": meta(m.Metadata), "selectedProtocolVersion": m.Version}
	case Refusal:
		return map[string]any{"senderId": m.SenderID, "targetId": m.TargetID, "message": m.Message}
	case Sync:
		return map[string]any{"senderId": m.SenderID, "targetId": m.TargetID, "documentId": m.DocumentID, "data": hex.EncodeToString(m.Data)}
	case Unavailable:
		return map[string]any{"senderId": m.SenderID, "targetId": m.TargetID, "documentId": m.DocumentID}
	case Ephemeral:
		return map[string]any{"senderId": m.SenderID, "targetId": m.TargetID, "documentId": m.DocumentID,
			"sessionId": m.SessionID, "count": float64(m.Count), "data": hex.EncodeToString(m.Data)}
	}
	return nil
}

func TestFramesOfStockPeers(t *testing.T) {
	seen := map[string]int{}
	for i, c := range frames(t) {
		m, err := Decode(unhex(t, c.Hex))
		if err != nil {
			t.Fatalf("frame %d (%s): %v", i, c.Type, err)
		}
		seen[m.Type()]++
		if m.Type() != c.Type {
			t.Errorf("frame %d: type %s, want %s", i, m.Type(), c.Type)
		}
		want := c.Fields
		if meta, ok := want["peerMetadata"].(map[string]any); ok && meta["isEphemeral"] == nil {
			meta["isEphemeral"] = false
		}
		if d := cmp.Diff(want, plain(m)); d != "" {
			t.Errorf("frame %d (%s): %s", i, c.Type, d)
		}
		again, err := Encode(m)
		if err != nil {
			t.Fatalf("frame %d: encoding: %v", i, err)
		}
		if m2, err := Decode(again); err != nil || !cmp.Equal(m, m2) {
			t.Errorf("frame %d: does not come back: %v %s", i, err, cmp.Diff(m, m2))
		}
	}
	for _, typ := range []string{typeJoin, typePeer, typeRefusal, typeSync, typeRequest, typeUnavailable, typeEphemeral} {
		if seen[typ] == 0 {
			t.Errorf("the fixture has no %s", typ)
		}
	}
}

func TestPayloadsOfStockPeers(t *testing.T) {
	var v1, v2, tails, changes int
	for i, c := range frames(t) {
		if c.Type != typeSync && c.Type != typeRequest {
			continue
		}
		m, err := Decode(unhex(t, c.Hex))
		if err != nil {
			t.Fatal(err)
		}
		data := m.(Sync).Data
		s, err := DecodeSync(data)
		if c.Payload == payloadV2 {
			v2++
			if code(err) != CodeVersion {
				t.Errorf("frame %d: version 2 gave %v", i, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("frame %d: %v", i, err)
		}
		v1++
		again := s.Encode()
		if !strings.HasPrefix(string(data), string(again)) {
			t.Errorf("frame %d: payload does not come back", i)
		}
		if len(again) < len(data) {
			tails++
		}
		if d := cmp.Diff(c.Sync.Heads, names(s.Heads)); d != "" {
			t.Errorf("frame %d: heads %s", i, d)
		}
		if d := cmp.Diff(c.Sync.Need, names(s.Need)); d != "" {
			t.Errorf("frame %d: need %s", i, d)
		}
		for k, h := range s.Have {
			if d := cmp.Diff(c.Sync.Have[k].LastSync, names(h.LastSync)); d != "" {
				t.Errorf("frame %d: lastSync %s", i, d)
			}
			if got := hex.EncodeToString(h.Bloom.append(nil)); got != c.Sync.Have[k].Bloom {
				t.Errorf("frame %d: bloom %s, want %s", i, got, c.Sync.Have[k].Bloom)
			}
		}
		for k, chunk := range s.Changes {
			ch, err := change.Decode(chunk, change.DefaultLimits)
			if err != nil {
				t.Fatalf("frame %d change %d: %v", i, k, err)
			}
			if ch.Hash.String() != c.Sync.Changes[k] {
				t.Errorf("frame %d change %d: hash %s, want %s", i, k, ch.Hash, c.Sync.Changes[k])
			}
			changes++
		}
	}
	if v1 == 0 || v2 == 0 || tails == 0 || changes == 0 {
		t.Errorf("the fixture is too thin: %d of version 1, %d of version 2, %d tails, %d changes", v1, v2, tails, changes)
	}
}

func names(hashes []change.Hash) []string {
	out := make([]string, len(hashes))
	for i, h := range hashes {
		out[i] = h.String()
	}
	return out
}

func code(err error) Code {
	var e *Error
	if errors.As(err, &e) {
		return e.Code
	}
	return ""
}

// frame writes a map the way no client would.
func frame(t testing.TB, m map[string]any) []byte {
	t.Helper()
	b, err := cbor.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

var undefined = cbor.RawMessage{simpleUndefined}

func with(m map[string]any, pairs ...any) map[string]any {
	out := map[string]any{}
	for k, v := range m {
		out[k] = v
	}
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] == nil {
			delete(out, pairs[i].(string))
		} else {
			out[pairs[i].(string)] = pairs[i+1]
		}
	}
	return out
}

var (
	aSync = map[string]any{"type": "sync", "senderId": "p1", "targetId": "hub", "documentId": "d1", "data": []byte{0x42}}
	aJoin = map[string]any{"type": "join", "senderId": "p1",
		"peerMetadata": map[string]any{"isEphemeral": true, "storageId": "s1"}, "supportedProtocolVersions": []string{"1"}}
	aCast = map[string]any{"type": "ephemeral", "senderId": "p1", "targetId": "hub", "documentId": "d1",
		"count": 3, "sessionId": "q", "data": []byte{0xa0}}
)

func TestToleratedFrames(t *testing.T) {
	deep := any(1)
	for range maxDepth - 2 {
		deep = []any{deep}
	}
	many := []string{"1", "2", "3"}
	cases := []struct {
		name string
		in   map[string]any
		want Message
	}{
		{"no metadata, no versions", with(aJoin, "peerMetadata", nil, "supportedProtocolVersions", nil), Join{SenderID: "p1", Versions: []string{"1"}}},
		{"undefined metadata and versions", with(aJoin, "peerMetadata", undefined, "supportedProtocolVersions", undefined), Join{SenderID: "p1", Versions: []string{"1"}}},
		{"undefined inside metadata", with(aJoin, "peerMetadata", map[string]any{"storageId": undefined, "isEphemeral": undefined}), Join{SenderID: "p1", Versions: []string{"1"}}},
		{"several versions", with(aJoin, "supportedProtocolVersions", many), Join{SenderID: "p1", Metadata: Metadata{"s1", true}, Versions: many}},
		{"unknown fields", with(aSync, "later", deep, "more", map[string]any{"a": 1.5}), Sync{SenderID: "p1", TargetID: "hub", DocumentID: "d1", Data: []byte{0x42}}},
		{"count as floating point", with(aCast, "count", 8589934592.0), Ephemeral{"p1", "hub", "d1", "q", 1 << 33, []byte{0xa0}}},
		{"type not handled", map[string]any{"type": "remote-subscription-change", "add": []string{"x"}}, Other{"remote-subscription-change"}},
		{"longest id", with(aSync, "senderId", strings.Repeat("a", MaxID)), Sync{SenderID: strings.Repeat("a", MaxID), TargetID: "hub", DocumentID: "d1", Data: []byte{0x42}}},
	}
	for _, c := range cases {
		got, err := Decode(frame(t, c.in))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
		} else if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
	}
	if !(Join{Versions: many}).Speaks() || (Join{Versions: []string{"2"}}).Speaks() {
		t.Error("Speaks")
	}
}

func TestRefusedFrames(t *testing.T) {
	deep := any(1)
	for range maxDepth {
		deep = []any{deep}
	}
	wide := map[string]any{}
	for i := range maxPairs {
		wide[fmt.Sprint("f", i)] = i
	}
	wide["type"] = "sync"
	cases := []struct {
		name  string
		in    []byte
		code  Code
		field string
	}{
		{"nothing", nil, CodeMalformed, "frame"},
		{"not a map", []byte{0x01}, CodeMalformed, "frame"},
		{"too long", make([]byte, MaxFrame+1), CodeSize, "frame"},
		{"cut", frame(t, aSync)[:20], CodeMalformed, "frame"},
		{"bytes after the end", append(frame(t, aSync), 0), CodeMalformed, "frame"},
		{"number as key", []byte{0xa1, 0x01, 0x02}, CodeMalformed, "frame"},
		{"same key twice", append([]byte{0xa2}, "\x64type\x64sync\x64type\x64sync"...), CodeDuplicate, "frame"},
		{"same key twice in metadata", frame(t, with(aJoin, "peerMetadata", cbor.RawMessage("\xa2\x61a\x01\x61a\x01"))), CodeDuplicate, "peerMetadata"},
		{"indefinite length", append([]byte{0xbf}, "\x64type\x64sync\xff"...), CodeMalformed, "frame"},
		{"too deep", frame(t, with(aSync, "later", deep)), CodeMalformed, "frame"},
		{"too many fields", frame(t, wide), CodeMalformed, "frame"},
		{"huge claimed array", append([]byte{0xa1, 0x64}, "type\x9a\xff\xff\xff\xff"...), CodeMalformed, "frame"},
		{"bad UTF-8", append([]byte{0xa1, 0x64}, "type\x62\xff\xfe"...), CodeMalformed, "type"},
		{"bad UTF-8 in a key", []byte("\xa1\x62\xff\xfe\x01"), CodeMalformed, "frame"},
		{"no type", frame(t, with(aSync, "type", nil)), CodeMissing, "type"},
		{"type is a number", frame(t, with(aSync, "type", 7)), CodeType, "type"},
		{"type is empty", frame(t, with(aSync, "type", "")), CodeValue, "type"},
		{"no sender", frame(t, with(aSync, "senderId", nil)), CodeMissing, "senderId"},
		{"undefined sender", frame(t, with(aSync, "senderId", undefined)), CodeMissing, "senderId"},
		{"null sender", frame(t, with(aSync, "senderId", cbor.RawMessage{simpleNull})), CodeMissing, "senderId"},
		{"empty sender", frame(t, with(aSync, "senderId", "")), CodeValue, "senderId"},
		{"sender of bytes", frame(t, with(aSync, "senderId", []byte("p1"))), CodeType, "senderId"},
		{"tagged sender", frame(t, with(aSync, "senderId", cbor.Tag{Number: 99, Content: "p1"})), CodeType, "senderId"},
		{"sender too long", frame(t, with(aSync, "senderId", strings.Repeat("a", MaxID+1))), CodeSize, "senderId"},
		{"sender not printable", frame(t, with(aSync, "senderId", "a\nb")), CodeValue, "senderId"},
		{"sender not ASCII", frame(t, with(aSync, "senderId", "größe")), CodeValue, "senderId"},
		{"no target", frame(t, with(aSync, "targetId", nil)), CodeMissing, "targetId"},
		{"no document", frame(t, with(aSync, "documentId", nil)), CodeMissing, "documentId"},
		{"no data", frame(t, with(aSync, "data", nil)), CodeMissing, "data"},
		{"empty data", frame(t, with(aSync, "data", []byte{})), CodeValue, "data"},
		{"data is text", frame(t, with(aSync, "data", "B")), CodeType, "data"},
		{"metadata is a list", frame(t, with(aJoin, "peerMetadata", []int{1})), CodeType, "peerMetadata"},
		{"storage id is a number", frame(t, with(aJoin, "peerMetadata", map[string]any{"storageId": 1})), CodeType, "storageId"},
		{"storage id is empty", frame(t, with(aJoin, "peerMetadata", map[string]any{"storageId": ""})), CodeValue, "storageId"},
		{"isEphemeral is a number", frame(t, with(aJoin, "peerMetadata", map[string]any{"isEphemeral": 1})), CodeType, "isEphemeral"},
		{"versions is text", frame(t, with(aJoin, "supportedProtocolVersions", "1")), CodeType, "supportedProtocolVersions"},
		{"no versions", frame(t, with(aJoin, "supportedProtocolVersions", []string{})), CodeSize, "supportedProtocolVersions"},
		{"too many versions", frame(t, with(aJoin, "supportedProtocolVersions", make([]string, MaxVersion+1))), CodeSize, "supportedProtocolVersions"},
		{"version is a number", frame(t, with(aJoin, "supportedProtocolVersions", []int{1})), CodeType, "supportedProtocolVersions"},
		{"count below zero", frame(t, with(aCast, "count", -1)), CodeType, "count"},
		{"count too large", frame(t, with(aCast, "count", uint64(1)<<54)), CodeValue, "count"},
		{"count not whole", frame(t, with(aCast, "count", 1.5)), CodeValue, "count"},
		{"count is text", frame(t, with(aCast, "count", "1")), CodeType, "count"},
		{"no session", frame(t, with(aCast, "sessionId", nil)), CodeMissing, "sessionId"},
	}
	for _, c := range cases {
		m, err := Decode(c.in)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("%s: got %v, %v", c.name, m, err)
			continue
		}
		if e.Code != c.code || e.Field != c.field || m != nil {
			t.Errorf("%s: got %v, want %s of %s", c.name, e, c.code, c.field)
		}
	}
}

func TestEncodeRefuses(t *testing.T) {
	long := strings.Repeat("a", MaxID+1)
	for _, m := range []Message{
		Join{SenderID: ""},
		Join{SenderID: "p1", Metadata: Metadata{StorageID: long}},
		Join{SenderID: "p1", Versions: make([]string, MaxVersion+1)},
		Peer{SenderID: "hub", TargetID: "p1"},
		Refusal{SenderID: "hub", TargetID: "p1", Message: strings.Repeat("a", MaxText+1)},
		Refusal{SenderID: "hub", TargetID: "p1", Message: "\xff"},
		Sync{SenderID: "hub", TargetID: "p1", DocumentID: "d1"},
		Sync{SenderID: "hub", TargetID: "p1", DocumentID: "d1", Data: make([]byte, MaxFrame)},
		Sync{SenderID: "hub", TargetID: long, DocumentID: "d1", Data: []byte{1}},
		Unavailable{SenderID: "hub", TargetID: "p1"},
		Ephemeral{SenderID: "hub", TargetID: "p1", DocumentID: "d1", SessionID: "q", Count: maxCount + 1, Data: []byte{1}},
		Other{"x"},
		nil,
	} {
		if b, err := Encode(m); code(err) == "" {
			t.Errorf("%#v gave %x, %v", m, b, err)
		}
	}
	b, err := Encode(Join{SenderID: "p1"})
	if err != nil {
		t.Fatal(err)
	}
	if m, err := Decode(b); err != nil || !cmp.Equal(m, Message(Join{SenderID: "p1", Versions: []string{"1"}})) {
		t.Errorf("a join without versions came back as %v, %v", m, err)
	}
	b, err = Encode(Ephemeral{SenderID: "hub", TargetID: "p1", DocumentID: "d1", SessionID: "q", Data: []byte{1}})
	if err != nil {
		t.Fatal(err)
	}
	if m, err := Decode(b); err != nil || m.(Ephemeral).Count != 0 {
		t.Errorf("count 0 came back as %v, %v", m, err)
	}
}
