package wire

import (
	"errors"
	"math"

	"github.com/fxamacker/cbor/v2"
)

// Limits of a frame. A frame beyond one of them is refused as a whole.
const (
	MaxFrame   = 1 << 20 // bytes of a frame, and of a payload
	MaxID      = 64      // bytes of senderId, targetId, documentId, storageId, sessionId, type
	MaxText    = 1024    // bytes of the text of a Refusal
	MaxVersion = 16      // entries of supportedProtocolVersions, and bytes of each

	maxPairs    = 64
	maxElements = 1024
	maxDepth    = 8
	maxCount    = 1 << 53 // JavaScript's integers end here
)

var decMode, encMode = modes()

func modes() (cbor.DecMode, cbor.EncMode) {
	dec, err := cbor.DecOptions{
		DupMapKey:        cbor.DupMapKeyEnforcedAPF,
		MaxNestedLevels:  maxDepth,
		MaxArrayElements: maxElements,
		MaxMapPairs:      maxPairs,
		IndefLength:      cbor.IndefLengthForbidden,
	}.DecMode()
	if err != nil {
		panic(err) // constants only: cannot depend on input
	}
	enc, err := cbor.EncOptions{}.EncMode()
	if err != nil {
		panic(err)
	}
	return dec, enc
}

// Decode reads one binary frame. Fields it does not know are ignored, null and
// undefined count as absent, a type it does not know becomes Other. What it
// gives may alias the frame.
func Decode(frame []byte) (Message, error) {
	if len(frame) > MaxFrame {
		return nil, fail(CodeSize, "frame", "longer than 1 MiB")
	}
	if m, ok := quickSync(frame); ok {
		return m, nil
	}
	return decode(frame)
}

// decode reads any frame.
func decode(frame []byte) (Message, error) {
	f, err := readFields("frame", frame)
	if err != nil {
		return nil, err
	}
	d := &fieldReader{fields: f}
	kind := d.id("type", true)
	if d.err != nil {
		return nil, d.err
	}
	var m Message
	switch kind {
	case typeJoin:
		m = Join{SenderID: d.id("senderId", true), Metadata: d.metadata(), Versions: d.versions(), Gatewright: d.gatewright()}
	case typePeer:
		m = Peer{SenderID: d.id("senderId", true), TargetID: d.id("targetId", true),
			Metadata: d.metadata(), Version: d.id("selectedProtocolVersion", true)}
	case typeRefusal:
		m = Refusal{SenderID: d.id("senderId", true), TargetID: d.id("targetId", true),
			Message: d.text("message", true, MaxText)}
	case typeSync, typeRequest:
		m = Sync{Request: kind == typeRequest, SenderID: d.id("senderId", true),
			TargetID: d.id("targetId", true), DocumentID: d.id("documentId", true), Data: d.data()}
	case typeUnavailable:
		m = Unavailable{SenderID: d.id("senderId", true), TargetID: d.id("targetId", true),
			DocumentID: d.id("documentId", true)}
	case typeEphemeral:
		m = Ephemeral{SenderID: d.id("senderId", true), TargetID: d.id("targetId", true),
			DocumentID: d.id("documentId", true), SessionID: d.id("sessionId", true),
			Count: d.count("count"), Data: d.data()}
	case typeDocuments:
		m = d.documents()
	case typeRefused:
		m = d.refused()
	default:
		m = Other{Kind: kind}
	}
	if d.err != nil {
		return nil, d.err
	}
	return m, nil
}

// readFields takes one CBOR map with text keys apart, without looking into
// the values.
func readFields(field string, b []byte) (map[string]cbor.RawMessage, error) {
	if len(b) == 0 || b[0]>>5 != majorMap {
		return nil, fail(CodeMalformed, field, "not a CBOR map")
	}
	var f map[string]cbor.RawMessage
	if err := decMode.Unmarshal(b, &f); err != nil {
		var dup *cbor.DupMapKeyError
		if errors.As(err, &dup) {
			return nil, fail(CodeDuplicate, field, "the same key twice")
		}
		return nil, fail(CodeMalformed, field, cborDetail(err))
	}
	return f, nil
}

// cborDetail names the kind of error only: the library's own text can quote
// the input.
func cborDetail(err error) string {
	var (
		nested   *cbor.MaxNestedLevelError
		pairs    *cbor.MaxMapPairsError
		elements *cbor.MaxArrayElementsError
		indef    *cbor.IndefiniteLengthError
		extra    *cbor.ExtraneousDataError
		kind     *cbor.UnmarshalTypeError
	)
	switch {
	case errors.As(err, &nested):
		return "nested too deeply"
	case errors.As(err, &pairs):
		return "map with too many entries"
	case errors.As(err, &elements):
		return "array with too many entries"
	case errors.As(err, &indef):
		return "item of indefinite length"
	case errors.As(err, &extra):
		return "bytes after the map"
	case errors.As(err, &kind):
		return "map key that is not text"
	}
	return "not well-formed CBOR"
}

// CBOR major types and simple values that are told apart here.
const (
	majorUint  = 0
	majorBytes = 2
	majorText  = 3
	majorArray = 4
	majorMap   = 5

	simpleFalse     = 0xf4
	simpleTrue      = 0xf5
	simpleNull      = 0xf6
	simpleUndefined = 0xf7
	float16         = 0xf9
	float32bits     = 0xfa
	float64bits     = 0xfb
)

// fieldReader takes typed fields out of a map and keeps the first error.
type fieldReader struct {
	fields map[string]cbor.RawMessage
	err    error
}

func (d *fieldReader) fail(code Code, field, detail string) {
	if d.err == nil {
		d.err = fail(code, field, detail)
	}
}

// raw gives the encoded field, or nil if it is absent, null or undefined.
func (d *fieldReader) raw(name string, required bool) cbor.RawMessage {
	r := d.fields[name]
	if len(r) == 1 && (r[0] == simpleNull || r[0] == simpleUndefined) {
		r = nil
	}
	if len(r) == 0 {
		if required {
			d.fail(CodeMissing, name, "absent")
		}
		return nil
	}
	return r
}

func (d *fieldReader) text(name string, required bool, max int) string {
	r := d.raw(name, required)
	if r == nil {
		return ""
	}
	if r[0]>>5 != majorText {
		d.fail(CodeType, name, "not text")
		return ""
	}
	var s string
	if err := decMode.Unmarshal(r, &s); err != nil {
		d.fail(CodeMalformed, name, "not valid UTF-8 text")
		return ""
	}
	if len(s) > max {
		d.fail(CodeSize, name, "too long")
		return ""
	}
	return s
}

func (d *fieldReader) id(name string, required bool) string {
	s := d.text(name, required, MaxID)
	if d.err == nil && (required || d.raw(name, false) != nil) {
		if detail := idFault(s); detail != "" {
			d.fail(CodeValue, name, detail)
		}
	}
	return s
}

// idFault says what is wrong with an id: 1 to 64 printable ASCII bytes, no
// space. "" if nothing is.
func idFault(s string) string {
	if s == "" {
		return "empty"
	}
	if len(s) > MaxID {
		return "longer than 64 bytes"
	}
	for i := 0; i < len(s); i++ {
		if s[i] <= ' ' || s[i] > '~' {
			return "holds a byte that is not printable ASCII"
		}
	}
	return ""
}

func (d *fieldReader) data() []byte {
	r := d.raw("data", true)
	if r == nil {
		return nil
	}
	if r[0]>>5 != majorBytes {
		d.fail(CodeType, "data", "not a byte string")
		return nil
	}
	var b []byte
	if err := decMode.Unmarshal(r, &b); err != nil {
		d.fail(CodeMalformed, "data", "not a byte string")
		return nil
	}
	if len(b) == 0 {
		d.fail(CodeValue, "data", "empty")
	}
	return b
}

// count reads a whole number. JavaScript encoders write those above 32 bits
// as floating point.
func (d *fieldReader) count(name string) uint64 {
	r := d.raw(name, true)
	if r == nil {
		return 0
	}
	switch {
	case r[0]>>5 == majorUint:
		var n uint64
		if err := decMode.Unmarshal(r, &n); err != nil || n > maxCount {
			d.fail(CodeValue, name, "not a whole number below 2^53")
			return 0
		}
		return n
	case r[0] == float16 || r[0] == float32bits || r[0] == float64bits:
		var x float64
		if err := decMode.Unmarshal(r, &x); err != nil || !(x >= 0 && x <= maxCount) || x != math.Trunc(x) {
			d.fail(CodeValue, name, "not a whole number below 2^53")
			return 0
		}
		return uint64(x)
	}
	d.fail(CodeType, name, "not a number")
	return 0
}

func (d *fieldReader) flag(name string) bool {
	r := d.raw(name, false)
	if r == nil {
		return false
	}
	if len(r) == 1 && (r[0] == simpleFalse || r[0] == simpleTrue) {
		return r[0] == simpleTrue
	}
	d.fail(CodeType, name, "not true or false")
	return false
}

func (d *fieldReader) metadata() Metadata {
	r := d.raw("peerMetadata", false)
	if r == nil || d.err != nil {
		return Metadata{}
	}
	if r[0]>>5 != majorMap {
		d.fail(CodeType, "peerMetadata", "not a map")
		return Metadata{}
	}
	f, err := readFields("peerMetadata", r)
	if err != nil {
		d.err = err
		return Metadata{}
	}
	inner := &fieldReader{fields: f}
	m := Metadata{StorageID: inner.id("storageId", false), IsEphemeral: inner.flag("isEphemeral")}
	d.err = inner.err
	return m
}

func (d *fieldReader) versions() []string {
	const name = "supportedProtocolVersions"
	r := d.raw(name, false)
	if r == nil {
		return []string{ProtocolV1}
	}
	if r[0]>>5 != majorArray {
		d.fail(CodeType, name, "not an array")
		return nil
	}
	var items []cbor.RawMessage
	if err := decMode.Unmarshal(r, &items); err != nil {
		d.fail(CodeMalformed, name, "not an array")
		return nil
	}
	if len(items) == 0 || len(items) > MaxVersion {
		d.fail(CodeSize, name, "want 1 to 16 entries")
		return nil
	}
	list := make([]string, 0, len(items))
	for _, it := range items {
		one := &fieldReader{fields: map[string]cbor.RawMessage{name: it}}
		list = append(list, one.text(name, true, MaxVersion))
		if one.err != nil {
			d.fail(one.err.(*Error).Code, name, one.err.(*Error).Detail)
			return nil
		}
	}
	return list
}
