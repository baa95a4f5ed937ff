package change

import (
	"math"
	"slices"
	"unicode/utf8"
)

// freeOps is how many operations are read whatever Limits.OpBytes says.
const freeOps = 16

// freeInflated is how many bytes are inflated whatever Limits.Ratio says.
const freeInflated = 4 << 10

const (
	magic        = "\x85\x6f\x4a\x83"
	typeChange   = 1
	typeDeflated = 2
	checksumLen  = 4
	typeAt       = len(magic) + checksumLen
)

// Decode reads one chunk, which must be a whole change and nothing else. The
// change does not share memory with the chunk. Errors are of type *Error.
func Decode(chunk []byte, lim Limits) (*Change, error) {
	c, err := decode(chunk, lim)
	if err != nil {
		return nil, err
	}
	return c, nil
}

func decode(chunk []byte, lim Limits) (*Change, *Error) {
	body, bytes, hash, err := unwrap(chunk, lim)
	if err != nil {
		return nil, err
	}
	c := &Change{Hash: hash, Bytes: bytes}
	r := reader{body}
	if err := c.readDeps(&r, lim); err != nil {
		return nil, err
	}
	others, err := c.readHead(&r)
	if err != nil {
		return nil, err
	}
	cols, err := readColumns(&r)
	if err != nil {
		return nil, err
	}
	if len(r.b) > 0 {
		c.Extra = r.b
	}
	actors := append([]Actor{c.Actor}, others...)
	if lim.OpBytes > 0 { // before anything is made for what a few bytes claim
		written := freeOps + len(body)/lim.OpBytes
		lim.Ops, lim.Preds = min(lim.Ops, written), min(lim.Preds, written)
	}
	if err := c.readOps(&cols, actors, lim); err != nil {
		return nil, err
	}
	if err := c.check(); err != nil {
		return nil, err
	}
	// The author's table of other actors holds those that are named, no more.
	if len(others) != len(c.others()) {
		return nil, refuse(CodeActor, "actor listed but not used")
	}
	return c, nil
}

// unwrap checks the chunk's frame and gives its contents (which share memory
// with bytes), the uncompressed chunk and its hash.
func unwrap(chunk []byte, lim Limits) (body, bytes []byte, hash Hash, err *Error) {
	if len(chunk) > lim.Chunk {
		return nil, nil, hash, refuse(CodeSize, "chunk larger than the limit")
	}
	if len(chunk) <= typeAt {
		return nil, nil, hash, refuse(CodeShort, "ends inside the header")
	}
	if string(chunk[:len(magic)]) != magic {
		return nil, nil, hash, refuse(CodeMagic, "not an Automerge chunk")
	}
	typ := chunk[typeAt]
	if typ != typeChange && typ != typeDeflated {
		return nil, nil, hash, refuse(CodeType, "chunk is not a change")
	}
	r := reader{chunk[typeAt+1:]}
	n, err := r.uleb()
	if err != nil {
		return nil, nil, hash, err
	}
	if n < uint64(len(r.b)) {
		return nil, nil, hash, refuse(CodeTrailing, "bytes after the chunk")
	}
	content, err := r.take(n)
	if err != nil {
		return nil, nil, hash, err
	}
	if typ == typeDeflated {
		if content, err = inflate(content, lim.Inflates(len(content))); err != nil {
			return nil, nil, hash, err
		}
	} else if len(content) > lim.Inflated {
		return nil, nil, hash, refuse(CodeSize, "contents larger than the limit")
	}
	bytes, body, hash = wrap(content)
	if [checksumLen]byte(chunk[len(magic):]) != [checksumLen]byte(hash[:]) {
		return nil, nil, hash, refuse(CodeChecksum, "checksum does not match")
	}
	return body, bytes, hash, nil
}

// wrap builds the uncompressed chunk around contents.
func wrap(content []byte) (bytes, body []byte, hash Hash) {
	bytes = make([]byte, typeAt, typeAt+11+len(content))
	bytes = append(bytes, typeChange)
	bytes = appendUleb(bytes, uint64(len(content)))
	bytes = append(bytes, content...)
	hash = sum256(bytes[typeAt:])
	copy(bytes, magic)
	copy(bytes[len(magic):typeAt], hash[:checksumLen])
	return bytes, bytes[len(bytes)-len(content):], hash
}

func (c *Change) readDeps(r *reader, lim Limits) *Error {
	n, err := r.uleb()
	if err != nil {
		return err
	}
	if n > uint64(lim.Deps) {
		return refuse(CodeSize, "more dependencies than the limit")
	}
	if n > uint64(len(r.b)/len(Hash{})) {
		return refuse(CodeShort, "ends inside the dependencies")
	}
	if n > 0 {
		c.Deps = make([]Hash, n)
	}
	for i := range c.Deps {
		b, err := r.take(uint64(len(Hash{})))
		if err != nil {
			return err
		}
		c.Deps[i] = Hash(b)
	}
	return nil
}

// readHead reads what stands between dependencies and columns.
func (c *Change) readHead(r *reader) (others []Actor, err *Error) {
	actor, err := r.prefixed()
	if err != nil {
		return nil, err
	}
	c.Actor = Actor(actor)
	if c.Seq, err = r.uleb(); err != nil {
		return nil, err
	}
	if c.StartOp, err = r.uleb(); err != nil {
		return nil, err
	}
	if c.Time, err = r.leb(); err != nil {
		return nil, err
	}
	message, err := r.prefixed()
	if err != nil {
		return nil, err
	}
	c.Message = string(message)
	n, err := r.uleb()
	if err != nil {
		return nil, err
	}
	if n > uint64(len(r.b)) {
		return nil, refuse(CodeShort, "ends inside the actors")
	}
	for i := range n {
		b, err := r.prefixed()
		if err != nil {
			return nil, err
		}
		a := Actor(b)
		if len(a) == 0 || len(a) > MaxActor {
			return nil, refuse(CodeActor, "actor id empty or too long")
		}
		if a == c.Actor || i > 0 && others[i-1] >= a {
			return nil, refuse(CodeActor, "actors not sorted or repeated")
		}
		others = append(others, a)
	}
	return others, nil
}

// readOps reads the columns side by side.
func (c *Change) readOps(cols *columns, actors []Actor, lim Limits) *Error {
	n, err := countCells(cols.of(colAction), lim.Ops)
	if err != nil {
		return err
	}
	if n == 0 {
		for _, b := range cols {
			if b != nil {
				return refuse(CodeCount, "columns without operations")
			}
		}
		return nil
	}
	for _, spec := range [...]uint64{colInsert, colValueMeta, colPredCount} {
		if cols.of(spec) == nil {
			return refuse(CodeColumn, "a column that every operation needs is absent")
		}
	}
	preds, err := countPreds(cols.of(colPredCount), n, lim)
	if err != nil {
		return err
	}
	var (
		objActor  = newCursor(cols.of(colObjActor), unsigned, n)
		objCtr    = newCursor(cols.of(colObjCounter), unsigned, n)
		keyActor  = newCursor(cols.of(colKeyActor), unsigned, n)
		keyCtr    = deltas{cursor: newCursor(cols.of(colKeyCounter), signed, n)}
		keyStr    = newCursor(cols.of(colKeyString), text, n)
		insert    = newFlags(cols.of(colInsert), n)
		action    = newCursor(cols.of(colAction), unsigned, n)
		meta      = newCursor(cols.of(colValueMeta), unsigned, n)
		raw       = reader{cols.of(colValueRaw)}
		predCount = newCursor(cols.of(colPredCount), unsigned, n)
		predActor = newCursor(cols.of(colPredActor), unsigned, uint64(preds))
		predCtr   = deltas{cursor: newCursor(cols.of(colPredCtr), signed, uint64(preds))}
		expand    = newFlags(cols.of(colExpand), n)
		markName  = newCursor(cols.of(colMarkName), text, n)
	)
	c.Ops = make([]Op, n)
	pool := make([]OpID, preds)
	expands := false
	for i := range c.Ops {
		op := &c.Ops[i]
		op.ID = OpID{c.StartOp + uint64(i), c.Actor}

		if err := first(objActor.next(), objCtr.next()); err != nil {
			return err
		}
		if op.Obj, err = opID(&objActor, &objCtr, objCtr.num, actors); err != nil {
			return err
		}

		if err := first(keyActor.next(), keyCtr.next(), keyStr.next()); err != nil {
			return err
		}
		if op.IsElem = keyStr.null; !op.IsElem {
			op.Key = keyStr.str
			if !keyActor.null || !keyCtr.null {
				return refuse(CodeKey, "operation with both key and element")
			}
		} else if keyCtr.null {
			return refuse(CodeKey, "operation without key or element")
		} else if keyCtr.sum != 0 || !keyActor.null {
			// A counter of zero without actor is the head of the list.
			if op.Elem, err = opID(&keyActor, &keyCtr.cursor, keyCtr.sum, actors); err != nil {
				return err
			}
		}

		if op.Insert, err = insert.next(); err != nil {
			return err
		}
		if err := action.next(); err != nil {
			return err
		}
		if action.num > uint64(Mark) {
			return refuse(CodeAction, "unknown action")
		}
		op.Action = Action(action.num)

		if err := meta.next(); err != nil {
			return err
		}
		if meta.null {
			return refuse(CodeValue, "operation without value type")
		}
		if op.Value, err = readValue(&raw, meta.num); err != nil {
			return err
		}

		if err := predCount.next(); err != nil {
			return err
		}
		if k := predCount.num; k > 0 {
			op.Pred, pool = pool[:k:k], pool[k:]
		}
		for j := range op.Pred {
			if err := first(predActor.next(), predCtr.next()); err != nil {
				return err
			}
			if op.Pred[j], err = opID(&predActor, &predCtr.cursor, predCtr.sum, actors); err != nil {
				return err
			}
			if op.Pred[j].IsZero() {
				return refuse(CodePred, "predecessor without id")
			}
		}

		if op.Expand, err = expand.next(); err != nil {
			return err
		}
		expands = expands || op.Expand
		if err := markName.next(); err != nil {
			return err
		}
		if op.MarkNamed = !markName.null; op.MarkNamed {
			op.MarkName = markName.str
		}
	}
	if !expands && !expand.empty {
		return refuse(CodeColumn, "column of falses only")
	}
	if len(raw.b) > 0 {
		return refuse(CodeCount, "value bytes left over")
	}
	return first(objActor.end(), objCtr.end(), keyActor.end(), keyCtr.end(), keyStr.end(), insert.end(), action.end(),
		meta.end(), predCount.end(), predActor.end(), predCtr.end(), expand.end(), markName.end())
}

// first gives the first error that is not nil.
func first(errs ...*Error) *Error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// countPreds adds up the predecessor counts within the limit.
func countPreds(b []byte, n uint64, lim Limits) (int, *Error) {
	counts := newCursor(b, unsigned, n)
	total := 0
	for range n {
		if err := counts.next(); err != nil {
			return 0, err
		}
		if counts.null {
			return 0, refuse(CodePred, "operation without predecessor count")
		}
		if counts.num > uint64(lim.Preds-total) {
			return 0, refuse(CodeSize, "more predecessors than the limit")
		}
		total += int(counts.num)
	}
	return total, nil
}

// opID joins an actor index and a counter; both null is the zero id.
func opID(actor, ctr *cursor, counter uint64, actors []Actor) (OpID, *Error) {
	if actor.null != ctr.null {
		return OpID{}, refuse(CodeActor, "id with half its parts")
	}
	if actor.null {
		return OpID{}, nil
	}
	if actor.num >= uint64(len(actors)) {
		return OpID{}, refuse(CodeActor, "actor index out of range")
	}
	if counter == 0 || counter > maxCounter {
		return OpID{}, refuse(CodeNumber, "counter out of range")
	}
	return OpID{counter, actors[actor.num]}, nil
}

// readValue takes one value; meta is its length in bytes <<4 | its type.
func readValue(raw *reader, meta uint64) (Value, *Error) {
	b, err := raw.take(meta >> 4)
	if err != nil {
		return Value{}, refuse(CodeValue, "value longer than the value column")
	}
	typ := uint8(meta & 15)
	v := Value{Kind: Kind(typ)}
	r := reader{b}
	switch v.Kind {
	case KindNull, KindFalse, KindTrue:
	case KindUint:
		v.Uint, err = r.uleb()
	case KindInt, KindCounter, KindTimestamp:
		v.Int, err = r.leb()
	case KindFloat:
		if len(b) != 8 {
			return Value{}, refuse(CodeValue, "float of other than 8 bytes")
		}
		v.Float = math.Float64frombits(littleEndian(b))
		r.b = nil
	case KindString:
		if !utf8.Valid(b) {
			return Value{}, refuse(CodeText, "string is not UTF-8")
		}
		v.Str = string(b)
		r.b = nil
	case KindBytes:
		v.Bytes = slices.Clone(b)
		r.b = nil
	default:
		v.Kind, v.Code, v.Bytes = KindUnknown, typ, slices.Clone(b)
		r.b = nil
	}
	if err != nil {
		return Value{}, err
	}
	if len(r.b) > 0 {
		return Value{}, refuse(CodeValue, "value longer than its type needs")
	}
	return v, nil
}
