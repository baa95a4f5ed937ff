package change

// Error says why a chunk or a change is refused. Code is a short stable word
// for machines, Detail one clause for people; neither quotes the chunk.
type Error struct {
	Code   string
	Detail string
}

func (e *Error) Error() string { return "change refused (" + e.Code + "): " + e.Detail }

func refuse(code, detail string) *Error { return &Error{Code: code, Detail: detail} }

// What an inflation can end with, whoever does it.
var (
	errInflated     = refuse(CodeSize, "inflates to more than the limit")
	errInflate      = refuse(CodeInflate, "broken deflate stream")
	errAfterInflate = refuse(CodeTrailing, "bytes after the deflate stream")
)

// The codes, one per thing that can be wrong.
const (
	CodeSize     = "size"     // larger than the limits
	CodeShort    = "short"    // ends too early
	CodeTrailing = "trailing" // bytes after the end
	CodeMagic    = "magic"    // not an Automerge chunk
	CodeType     = "type"     // a chunk of another type than a change
	CodeChecksum = "checksum" // checksum does not match
	CodeInflate  = "inflate"  // bad deflate stream
	CodeNumber   = "number"   // a number too large or not in its shortest form
	CodeText     = "text"     // not UTF-8
	CodeDeps     = "deps"     // dependencies unsorted, repeated, too many
	CodeActor    = "actor"    // actor ids empty, too long, unsorted, unused or out of range
	CodeSeq      = "seq"      // seq out of range
	CodeStart    = "start"    // operation counters out of range
	CodeColumn   = "column"   // columns unknown, out of order, empty or deflated
	CodeRun      = "run"      // run-length data not in its one form
	CodeCount    = "count"    // columns of different length
	CodeAction   = "action"   // unknown action, or one with parts that it cannot have
	CodeObject   = "object"   // the object cannot be what the operation needs
	CodeKey      = "key"      // key and element missing or both given
	CodePred     = "pred"     // predecessors unsorted, repeated or impossible
	CodeValue    = "value"    // value badly typed
	CodeExtra    = "extra"    // bytes after the columns that no version writes
)
