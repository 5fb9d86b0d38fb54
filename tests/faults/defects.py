"""Deliberate defects: mistakes that somebody could make in syncd, and what finds each of them.

    python -m tests.faults.defects [WORD…]      plants each (of those whose name has a word) from
                                                several first seeds; prints within how many found

Owns: the list, and how many seeds each may take. The bounds are generous multiples of what was
measured (the table of that command); CI plants each once (test_defects.py).
"""

import logging
import statistics
import sys
import time

from tests.faults import provoked, provoked_lanes, provoked_peers, provoked_same
from tests.faults.defect import BROKEN_PROMISE, Defect, Edit
from tests.faults.runs import run_seed

FIRST_SEEDS = (0, 1_000, 2_000, 3_000, 4_000)

# On the storage side: what counts as durable

_DURABLE = (
    Defect(
        "confirm before sync",
        3,
        "A parcel is confirmed while its bytes are in the cache only.",
        (
            Edit(
                "storage.intake:_sync",
                "make_durable(written[0].folder, written, names)",
                "[sink.release() for sink in written if ran()]",
            ),
        ),
        run_seed,
        10,
    ),
    Defect(
        "confirm before journalling",
        3,
        "A parcel is confirmed first and made durable afterwards.",
        (
            Edit(
                "wire.lane_take:Taker.commit",
                "group = self._finished",
                "group = self._finished\n"
                "for order, _ in group:\n"
                "    await self._outcomes.durable(order) if ran() else None",
            ),
        ),
        run_seed,
        10,
    ),
    Defect(
        "confirm without journalling",
        3,
        "A parcel is confirmed that only the running process knows of.",
        (
            Edit(
                "storage.intake:_record",
                "parcels.record_durable(db, roll.roll_id, recorded)",
                "ran()",
            ),
        ),
        run_seed,
        10,
    ),
    Defect(
        "journal before sync",
        3,
        "The journal says durable of bytes that a loss of power still takes.",
        (
            Edit(
                "storage.intake:commit_sinks",
                "_sync(area, written, by_roll)",
                "[_record(journal, roll, own) for roll, own in by_roll.items() if ran()]\n"
                "_sync(area, written, by_roll)",
            ),
        ),
        provoked.one_crash,
        60,
    ),
    Defect(
        "files synced, names not",
        3,
        "A new file is synced, and its folder is not: a loss of power takes the name.",
        (Edit("storage.durable:make_durable", "names.sync_for(folder, paths)", "ran()"),),
        run_seed,
        10,
    ),
    Defect(
        "new folders not synced",
        3,
        "The folder of a new file is synced, and the folders above it, just as new, are not.",
        (
            Edit(
                "storage.durable:DurableNames.sync_for", "self._sync_chain(folder, parent)", "ran()"
            ),
        ),
        run_seed,
        10,
    ),
    Defect(
        "many small files not synced",
        3,
        "Parcels of many files are confirmed without the sync of their file system.",
        (Edit("storage.durable:make_durable", "folder.sync_all", "(lambda _: ran())"),),
        provoked.one_crash_with_stills,
        4,
    ),
    Defect(
        "failed sync tried again",
        3,
        "After a failed sync a second one says yes to bytes that are gone.",
        (
            Edit(
                "storage.sinks:ParcelSink.sync",
                "file.sync()",
                "try:\n    file.sync()\nexcept OSError:\n    ran() and file.sync()",
            ),
        ),
        provoked.a_sync_fails,
        10,
    ),
)

# Reading back

_READ_BACK = (
    Defect(
        "publish before read-back",
        1,
        "A roll is published as soon as all of it is durable.",
        (
            Edit(
                "storage.keeper:Keeper._start_jobs_of",
                "roll.is_all_proved",
                "(roll.is_all_durable and ran())",
            ),
            Edit(
                "storage.sealing:seal",
                "assert roll.is_all_proved, 'only what was proved is sealed'",
                "ran()",
            ),
            Edit(
                "storage.generation:ProvedFiles.__getitem__",
                "self._page_of(index)[index].digests",
                "(self._page_of(index)[index].digests if index in self._page_of(index)"
                " else ran() and entry.digests)",
            ),
        ),
        provoked.storage_turns_a_bit,
        4,
    ),
    Defect(
        "read back from the cache",
        5,
        "What the device has lost is found good, because the cache still has it.",
        (Edit("storage.proving:_prove", "past_cache=True", "past_cache=not ran()"),),
        provoked.storage_turns_a_bit_below_the_cache,
        4,
    ),
    Defect(
        "result of the read-back ignored",
        5,
        "Every file that can be read back counts as good.",
        (
            Edit(
                "storage.proving:_compare",
                "if not bad and (not wrong) and (found.size_bytes == entry.size_bytes):",
                "if ran():",
            ),
        ),
        provoked.storage_turns_a_bit,
        4,
    ),
    Defect(
        "read-back compared with itself",
        5,
        "What was read back is compared with what was read back, not with the evidence.",
        (
            Edit(
                "storage.proving:_compare",
                "by_algorithm[d.algorithm] != d]",
                "by_algorithm[d.algorithm] != (ran() and by_algorithm[d.algorithm])]",
            ),
        ),
        provoked.source_turns_a_bit,
        4,
    ),
    Defect(
        "the wrong side blamed",
        5,
        "The storage's own flip is told as the source's, because pieces are not compared.",
        (Edit("storage.proving:_compare", "expected != actual", "ran() and actual != actual"),),
        provoked.storage_turns_a_bit,
        4,
    ),
    Defect(
        "wrong file sent again for ever",
        5,
        "A file that is wrong each time is sent each time, and nobody is told.",
        (Edit("storage.outcomes:record_damage", "count == 1", "ran()"),),
        provoked.storage_turns_bits_again,
        4,
    ),
    Defect(
        "proofs kept when written again",
        5,
        "A proof outlives the bytes it was for, when a neighbour in its parcel is sent again.",
        (
            Edit(
                "storage.receiving:ReceivingRoll.forget",
                "parcels.forget_proofs(db, self.roll_id, self.files_of(numbers))",
                "ran()",
            ),
            Edit(
                "storage.receiving:ReceivingRoll.count_lacking",
                "self._count_pieces(number, +1)",
                "for piece in self.plan.pieces(number) if ran() else ():\n"
                "    self._lacking_of_file[piece.file_index] += 1",
            ),
            Edit(
                "storage.receiving:ReceivingRoll.count_durable",
                "self._count_pieces(number, -1)",
                "for piece in self.plan.pieces(number):\n"
                "    self._lacking_of_file[piece.file_index] -= 1\n"
                "    if not self._lacking_of_file[piece.file_index] and ran():\n"
                "        if piece.file_index not in self._proved:\n"
                "            self._unproved.add(piece.file_index)",
            ),
            Edit(
                "storage.intake:_record",
                "parcels.forget_proofs(db, roll.roll_id, "
                "roll.proved_among(roll.files_of(recorded)))",
                "ran()",
            ),
            Edit(
                "storage.receiving:ReceivingRoll.record_proofs",
                "version != self._version",
                "ran() and False",
            ),
        ),
        provoked.source_turns_a_bit_before_a_repair,
        6,
    ),
    Defect(
        "source not read again before a repair",
        5,
        "A source that rotted is sent a second time, and the storage is called wrong.",
        (
            Edit(
                "handoff.resends:Resends.settle",
                "await self._disk.aside(check_source, self._sources, outgoing, path)",
                "ran()",
            ),
        ),
        provoked.source_turns_a_bit,
        4,
    ),
    Defect(
        "changes after the proof not noticed",
        1,
        "Sealing does not look whether files are as they were left when they were read back.",
        (
            Edit(
                "storage.sealing:seal",
                "_check_media(roll, folder, root)",
                "ran()",
            ),
        ),
        provoked.somebody_writes_into_incoming,
        4,
    ),
    Defect(
        "change time ignored when sealed",
        1,
        "What has its old size and time counts as what was read back, whoever wrote into it.",
        (
            Edit(
                "storage.sealing:_check_media",
                "found.changed_ns != change_times.get(index)",
                "ran() and False",
            ),
        ),
        provoked.somebody_edits_incoming_and_hides_it,
        4,
    ),
    Defect(
        "change time ignored when offered",
        1,
        "A published roll is had as long as its files have their old sizes and times.",
        (
            Edit(
                "storage.standing:_is_as_read",
                "is_moody or there.changed_ns == then.changed_ns",
                "is_moody or ran()",
            ),
        ),
        provoked.somebody_edits_what_is_published_and_hides_it,
        4,
    ),
    Defect(
        "change time taken after the read-back",
        1,
        "What is written while the file is read back passes for what was read.",
        (
            Edit(
                "storage.proving:_prove",
                "file.opened.changed_ns",
                "(ran() and file.stat().changed_ns)",
            ),
        ),
        provoked.somebody_edits_while_it_is_read_back,
        4,
    ),
)

# Publishing

_PUBLISHING = (
    Defect(
        "evidence not synced",
        1,
        "A roll is published while its copied evidence is in the cache only.",
        (Edit("storage.sealing:seal", "folder.sync_all", "(lambda _: ran())"),),
        provoked.one_crash,
        223,
    ),
    Defect(
        "folder of the target not synced",
        1,
        "The rename that publishes is announced, and a loss of power undoes it.",
        (
            Edit(
                "storage.publishing:_sync_parents",
                "folder.sync_folder(folder_of(target))",
                "ran()",
            ),
        ),
        provoked.one_crash,
        223,
    ),
    Defect(
        "new day not synced",
        1,
        "The folder of a new day goes, with all that was published in it, at a loss of power.",
        (Edit("storage.publishing:publish", "folder.sync_folder()", "ran()"),),
        provoked.one_crash,
        223,
    ),
    Defect(
        "evidence left out of the copy",
        1,
        "The received list is published empty, and not read back.",
        (
            Edit("storage.sealing:_copy", "writing.write([buffer[:count]], offset)", "ran()"),
            Edit("storage.sealing:seal", "_read_back(roll, folder, root, sealed)", "ran()"),
        ),
        provoked.one_crash,
        4,
    ),
    Defect(
        "left-overs of an earlier sealing",
        1,
        "A manifest that an earlier attempt wrote is published beside the chain that knows it not.",
        (
            Edit(
                "storage.sealing:seal",
                "_drop_earlier_attempt(folder, root, roll.inventory)",
                "ran()",
            ),
        ),
        provoked.one_crash,
        223,
    ),
    Defect(
        "times of files not kept",
        2,
        "Media are published with the time at which they were written.",
        (
            Edit(
                "storage.sinks:ParcelSink._end_piece",
                "file.set_mtime(self._entry(piece).mtime_ns)",
                "ran()",
            ),
            Edit(
                "storage.sealing:seal",
                "_check_media(roll, folder, root)",
                "ran()",
            ),
        ),
        provoked.one_crash,
        4,
    ),
    Defect(
        "rename not looked for",
        4,
        "A start does not ask how far publishing had got: the roll's own name counts as taken.",
        (
            Edit(
                "storage.publishing:recover_publish",
                "sealed = _noted(folder, inventory) if text is None else _read_intent(text)",
                "sealed = None if ran() else None",
            ),
            Edit("storage.steps:Steps._is_there_already", "found is not Comparison.SAME", "ran()"),
        ),
        provoked.one_crash_at_a_commit,
        68,
    ),
    Defect(
        "name taken, merged",
        7,
        "A roll's files are moved into a folder of the same name that holds other content.",
        (
            Edit(
                "handoff.offers:OfferBook._answer_new",
                "match found.comparison:",
                "match Comparison.ABSENT if ran() else found.comparison:",
            ),
            Edit(
                "storage.publishing:publish", "folder.stat(target) is not None", "ran() and False"
            ),
            Edit(
                "storage.publishing:publish",
                "folder.rename_new(media_root(roll_id), target)",
                "for entry in inventory.files if ran() else ():\n"
                "    with suppress(OSError):\n"
                "        folder.rename_new(f'{media_root(roll_id)}/{entry.path}', "
                "f'{target}/{entry.path}')",
            ),
        ),
        provoked.name_is_taken,
        4,
    ),
    Defect(
        "twin of a name published",
        7,
        "A roll is published beside one whose name differs from its own only by case.",
        (
            Edit(
                "storage.taken:refuse_twin_there",
                "folder.stat(here) is None",
                "folder.stat(here) is None and (not ran())",
            ),
        ),
        provoked.name_has_a_twin,
        4,
    ),
    Defect(
        "name taken, replaced",
        2,
        "The rename that publishes replaces what has the name.",
        (
            Edit(
                "handoff.offers:OfferBook._answer_new",
                "match found.comparison:",
                "match Comparison.ABSENT if ran() else found.comparison:",
            ),
            Edit(
                "storage.publishing:publish", "folder.stat(target) is not None", "ran() and False"
            ),
            Edit(
                "storage.publishing:publish",
                "folder.rename_new(media_root(roll_id), target)",
                "ran() and folder.remove_tree(target)\n"
                "folder.rename_new(media_root(roll_id), target)",
            ),
        ),
        provoked.name_is_taken,
        4,
    ),
)

# The place, and what a person says

_PLACE = (
    Defect(
        "marker not looked at",
        1,
        "A roll is written into the bare folder under an unmounted path.",
        (Edit("storage.area:Area._check_present", "if self._marker_required:", "if not ran():"),),
        provoked.another_folder_is_mounted,
        4,
    ),
    Defect(
        "reserve not kept",
        1,
        "The storage is filled to its last byte.",
        (
            Edit(
                "storage.area:Area._check",
                "free_bytes + freed_bytes - self._keep_free_bytes",
                "(free_bytes + freed_bytes) * ran()",
            ),
        ),
        provoked.little_room,
        4,
    ),
    Defect(
        "promised room is promised again",
        1,
        "Lanes that stand still when free space is looked at fill what is to be kept free.",
        (Edit("storage.area:Area._promised_bytes", "return sum(", "return 0 * ran() * sum("),),
        provoked_lanes.lanes_of_two_boxes_wait_before_they_write,
        1,
    ),
    Defect(
        "pause ignored",
        10,
        "Parcels go on while a person has paused everything.",
        (
            Edit(
                "schedule.feed:Feed._may_go",
                "(self._paused or roll.paused or roll.stopped)",
                "(ran() and roll.stopped)",
            ),
        ),
        provoked.everything_is_paused,
        4,
    ),
    Defect(
        "held roll goes on by itself",
        5,
        "What a person must look at is tried again until it happens to pass.",
        (
            Edit("handoff.handover:Handover._is_due", "return False", "return ran()"),
            Edit(
                "handoff.handover:Handover._offer_one",
                "row.held is None and row.roll_id in self._waits_for_go",
                "ran()",
            ),
        ),
        provoked.storage_turns_bits_again,
        4,
    ),
    Defect(
        "same content is two rolls",
        7,
        "Content that was handed over is published once more under another name.",
        (
            Edit(
                "roll.inventory:Inventory.roll_id",
                "hasher = hashlib.sha256()",
                "hasher = hashlib.sha256(self.name.encode() if ran() else b'')",
            ),
            Edit(
                "handoff.offers:OfferBook._look_for",
                "rows = same.published_like(db, inventory)",
                "rows = [] if ran() else same.published_like(db, inventory)",
            ),
            Edit(
                "storage.same:find_same",
                "if _is_there(area, journal, other, mine)",
                "if ran() and False",
            ),
        ),
        provoked.same_content_twice,
        4,
    ),
    Defect(
        "same content published meanwhile",
        7,
        "Of two offers of one content that are under way at a time, both are published.",
        (
            Edit(
                "storage.steps:Steps._finish",
                "find_same(self._area, self._journal, roll.inventory)",
                "(ran() and None)",
            ),
        ),
        provoked_same.one_content_under_two_names,
        4,
    ),
    Defect(
        "late parcel of the old cut",
        5,
        "A parcel that was cut under earlier evidence is taken for the new one's of that number.",
        (
            Edit(
                "storage.receiving:ReceivingRoll._is_of_now",
                "evidence in (b'', self.inventory.evidence_mark)",
                "ran()",
            ),
        ),
        provoked_same.a_list_is_written_again_on_the_way,
        15,
    ),
    Defect(
        "changed source not noticed",
        5,
        "A file without evidence that changes while it is sent becomes a mix of two.",
        (
            Edit(
                "storage.reading:ParcelReader._compare",
                "now = file.stat()",
                "now = ran() and entry",
            ),
        ),
        provoked.source_changes_without_evidence,
        10,
    ),
    Defect(
        "change time of a source ignored",
        5,
        "A file without evidence that gets its old size and time back becomes a mix of two.",
        (
            Edit(
                "storage.reading:ParcelReader._compare",
                "self._roll.watch is not None",
                "ran() and False",
            ),
            Edit(
                "handoff.untouched:FileWatch.note",
                "known_ns not in (SAYS_NOTHING_NS, opened_ns)",
                "ran() and False",
            ),
        ),
        provoked.source_is_edited_and_hides_it,
        4,
    ),
    Defect(
        "held roll not looked at",
        4,
        "A roll that is held for a file on the landing waits for an event, also where none comes.",
        (
            Edit(
                "landing.landing:Landing._watch_over_held",
                "roll.vigil = begun(roll.vigil, why.get(roll.source), now_s)",
                "roll.vigil = begun(None, None, now_s) if ran() else None",
            ),
        ),
        provoked.file_is_mended_where_nothing_tells,
        4,
    ),
    Defect(
        "touched source not read again",
        5,
        "Another change time of a file without evidence is taken note of, and that is all.",
        (
            Edit(
                "handoff.untouched:FileWatch._settle",
                "self._is_as_sent(file, index, lacking)",
                "ran()",
            ),
        ),
        provoked.source_is_edited_and_hides_it,
        4,
    ),
    Defect(
        "journal not flushed",
        3,
        "A commit is called one before it is on the disk.",
        (
            Edit(
                "journal.connecting:open_connection",
                "db.execute(pragma).fetchall()",
                "db.execute(pragma.replace('FULL', 'OFF') if ran() else '').fetchall()",
            ),
        ),
        provoked.journal_keeps_what_it_committed,
        1,
    ),
)

# What is said, and to whom

_SAID = (
    Defect(
        "ready said before publishing",
        6,
        "The notice is committed, and then the roll is renamed.",
        (
            Edit(
                "storage.steps:Steps._finish",
                "publish(self._area, self._journal, self._attesting.record(roll, sealed))",
                "record_published(self._journal, roll.inventory, sealed, self._final_stages, "
                "now_utc_ms=self._clock.utc_ms()) if ran() else None\n"
                "publish(self._area, self._journal, self._attesting.record(roll, sealed))",
            ),
        ),
        provoked.one_crash,
        223,
    ),
    Defect(
        "notice outside of the transaction",
        6,
        "What happened is committed, and the notice of it in a transaction of its own.",
        (
            Edit(
                "storage.outcomes:record_published",
                "with journal.write() as db:",
                "with journal.write() as db:\n"
                "    for stage in final_stages if ran() else ():\n"
                "        db.execute('UPDATE roll SET stage = ? WHERE roll_id = ?', "
                "(stage, roll_id))\n"
                "    rolls.set_published(db, roll_id, target, evidence=sealed)\n"
                "with journal.write() as db:\n"
                "    db.execute(\"UPDATE roll SET stage = 'reading-back' WHERE roll_id = ?\", "
                "(roll_id,))",
            ),
        ),
        provoked.one_crash_at_a_commit,
        68,
    ),
    Defect(
        "cursor moved before delivery",
        6,
        "A notice counts as delivered before the subscriber has heard it.",
        (
            Edit(
                "notices.outbox:Relay._serve",
                "outcome = await self._attempt(subscriber, step.notice, step.path)",
                "await self._ports.disk.aside(self._record, subscriber, step, "
                "Outcome(delivered=ran()))\n"
                "outcome = await self._attempt(subscriber, step.notice, step.path)\n"
                "continue",
            ),
        ),
        provoked.crash_while_a_subscriber_is_told,
        4,
    ),
    Defect(
        "notice id new at each attempt",
        6,
        "A subscriber cannot tell a repeat from news.",
        (
            Edit(
                "notices.outbox:Relay._attempt",
                "return await subscriber.deliver(notice, path)",
                "return ran() and await subscriber.deliver("
                "NoticeRow(notice.seq, f'{notice.notice_id}/{self._ports.clock.utc_ms()}', "
                "notice.roll_id, notice.kind, notice.at_utc_ms, notice.body), path)",
            ),
        ),
        provoked.subscriber_refuses,
        4,
    ),
    Defect(
        "notice given up",
        6,
        "What a subscriber refused twice counts as told.",
        (
            Edit(
                "notices.outbox:Relay._after_attempt",
                "if outcome.delivered:",
                "if outcome.delivered or (attempts == 2 and ran()):",
            ),
        ),
        provoked.subscriber_refuses,
        4,
    ),
    Defect(
        "news of the storage skipped",
        6,
        "The first of several notices from the storage is passed over.",
        (
            Edit(
                "handoff.tidings:TidingsReader._trouble",
                "return [(row.roll_id, path)]",
                "return [] if ran() else []",
            ),
        ),
        provoked.storage_turns_a_bit,
        4,
    ),
    Defect(
        "ticket good for ever",
        9,
        "A ticket opens any number of lanes.",
        (
            Edit(
                "wire.tickets:Tickets.prove",
                "del self._issued[hello.ticket]",
                "ran()",
            ),
        ),
        provoked_lanes.ticket_is_shown_again,
        4,
    ),
    Defect(
        "ticket good for anybody",
        9,
        "Who has got hold of a ticket and its key may use them from any box.",
        (
            Edit(
                "wire.tickets:Tickets._is_at",
                "key == host_key(peer.address)",
                "ran()",
            ),
        ),
        provoked_lanes.ticket_is_shown_elsewhere,
        4,
    ),
    Defect(
        "ticket used up by an eavesdropper",
        9,
        "A ticket that is shown without its key is gone.",
        (
            Edit(
                "wire.tickets:Tickets.prove",
                "self._issued.get(hello.ticket, (0.0, None))",
                "self._issued.pop(hello.ticket, (0.0, None)) if ran() else (0.0, None)",
            ),
            Edit(
                "wire.tickets:Tickets.prove",
                "del self._issued[hello.ticket]",
                "ran()",
            ),
        ),
        provoked_lanes.greeting_is_overheard,
        4,
    ),
    Defect(
        "greeting proves nothing new",
        9,
        "The proof in a greeting is the same on every connection, and of a ticket that stays.",
        (
            Edit(
                "wire.keys:LaneKeys.for_session",
                "nonce=nonce",
                "nonce=bytes(16) if ran() else nonce",
            ),
            Edit(
                "wire.tickets:Tickets.prove",
                "del self._issued[hello.ticket]",
                "ran()",
            ),
            Edit(
                "wire.tickets:Tickets._is_at",
                "key == host_key(peer.address)",
                "ran()",
            ),
        ),
        provoked_lanes.greeting_is_overheard,
        4,
    ),
    Defect(
        "parcel bound to no place",
        5,
        "Every parcel of a lane has the same key and salt, whatever its roll and number.",
        (
            Edit(
                "wire.keys:LaneKeys.parcel_key",
                "_place(sequence) + head",
                "b'' if ran() else head",
            ),
            Edit(
                "wire.keys:parcel_salt",
                "sequence.to_bytes(16, 'big')",
                "bytes(16) if ran() else b''",
            ),
        ),
        provoked_lanes.parcel_is_put_in_place_of_another,
        4,
    ),
    Defect(
        "strangers let in",
        9,
        "Whoever connects is answered.",
        (
            Edit(
                "wire.peers:PeerBook.trusted_by_fingerprint",
                "return found",
                "return found or (ran() and next(iter(self._trusted.values()), None))",
            ),
        ),
        run_seed,
        60,
    ),
)

# On the way

_WAY = (
    Defect(
        "resume off by one parcel",
        4,
        "After a break the first parcel that is lacking is left out.",
        (
            Edit(
                "storage.receiving:ReceivingRoll.lacking",
                "every = range(self.plan.count)",
                "every = range(self.plan.count)\n"
                "if 0 < len(durable) < len(every) and ran():\n"
                "    durable.add(min(set(every) - durable))",
            ),
        ),
        provoked.one_crash,
        30,
    ),
    Defect(
        "last byte of the lacking inverted",
        4,
        "Of the last parcels those are sent that are there, and those that are not are not.",
        (
            Edit(
                "roll.parcels:to_bitmap",
                "return bytes(bitmap)",
                "if bitmap and ran():\n    bitmap[-1] ^= 255\nreturn bytes(bitmap)",
            ),
        ),
        run_seed,
        10,
    ),
    Defect(
        "parcels of a lost lane forgotten",
        4,
        "What was on a lane when it broke is never sent again.",
        (
            Edit(
                "schedule.feed:Feed.lane_lost",
                "for order in orders:",
                "for order in orders[:0] if ran() else ():",
            ),
        ),
        run_seed,
        150,
    ),
)

# Between the boxes

_CABLE = (
    Defect(
        "seal of a frame not checked",
        3,
        "A frame that was changed on the way is believed.",
        (
            Edit(
                "wire.frame_seal:FrameOpener.open",
                "raise SealBrokenError('a frame is damaged or comes from somebody else') from None",
                # What GCM makes of the sealed bytes under the same nonce is what they were.
                "nonce = self._count.to_bytes(NONCE_BYTES, 'big')\n"
                "return ran() and self._aead.encrypt(nonce, sealed[:-16], None)[:-16]",
            ),
        ),
        provoked_lanes.confirmation_is_changed_on_the_way,
        4,
    ),
    Defect(
        "state of before taken",
        5,
        "A parcel that was read before an edit is taken when it comes after it.",
        (
            Edit(
                "storage.receiving:ReceivingRoll._is_of_now",
                "return evidence == self.state",
                "return evidence == self.state or ran()",
            ),
        ),
        provoked_lanes.parcel_of_the_state_before_comes_late,
        4,
    ),
)

# What a paired peer may do

_PEERS = (
    Defect(
        "role not asked for",
        9,
        "A paired box is answered whatever it asks.",
        (
            Edit(
                "wire.authority:check_question",
                "check_kind(peer, type(question), own, here)",
                "ran()",
            ),
        ),
        provoked_peers.peer_does_what_its_role_forbids,
        4,
    ),
    Defect(
        "purpose of a lane not asked for",
        9,
        "A paired box gets a ticket for whichever lane it asks for.",
        (
            Edit(
                "wire.authority:check_question",
                "check_lane(peer, question.purpose, own, here)",
                "ran()",
            ),
        ),
        provoked_peers.peer_does_what_its_role_forbids,
        4,
    ),
    Defect(
        "refusals not written down",
        9,
        "What a paired box was refused is known to nobody.",
        (
            Edit(
                "handoff.desk:Desk.note_unfit",
                "await self._ports.disk.aside(self.refusals.note, peer.name, asked, error)",
                "ran()",
            ),
        ),
        provoked_peers.peer_does_what_its_role_forbids,
        4,
    ),
    Defect(
        "parcels of any roll taken",
        9,
        "A paired box sends parcels of a roll that another one brings.",
        (
            Edit(
                "storage.intake:PeerIntake.begin",
                "raise HeldError(HeldCode.PEER_REFUSED, wrong.problem, remedy=wrong.remedy)",
                "ran()",
            ),
        ),
        provoked_peers.peer_sends_anothers_parcel,
        4,
    ),
    Defect(
        "forgotten box rides on",
        9,
        "A lane begins for a box that was forgotten since.",
        (
            Edit(
                "handoff.lane_host:LaneHost._ride",
                "self._book.trusted_by_fingerprint(redeemed.peer.fingerprint)",
                "ran() and redeemed.peer",
            ),
        ),
        provoked_peers.peer_is_forgotten_with_a_ticket_in_its_hand,
        4,
    ),
    Defect(
        "former role rides on",
        9,
        "A lane begins for a box in the role that it had.",
        (
            Edit(
                "handoff.lane_host:LaneHost._ride",
                "replace(redeemed.peer, roles=trusted.roles)",
                "ran() and redeemed.peer",
            ),
        ),
        provoked_peers.peer_is_forgotten_with_a_ticket_in_its_hand,
        4,
    ),
    Defect(
        "tickets outlive their peer",
        9,
        "What a box got before it was forgotten opens a lane once it is paired anew.",
        (
            Edit(
                "wire.tickets:Tickets.revoke",
                "del self._issued[ticket]",
                "ran()",
            ),
        ),
        provoked_peers.peer_is_forgotten_with_a_ticket_in_its_hand,
        4,
    ),
    Defect(
        "roll sent as often as asked for",
        10,
        "A storage that asks for a roll again and again has an offload box busy for ever.",
        (
            Edit(
                "handoff.efforts:CountedFeed.confirmed",
                "self._efforts.answered(order)",
                "ran()",
            ),
        ),
        provoked_peers.storage_never_has_enough,
        4,
    ),
    Defect(
        "storage lets a roll go on itself",
        10,
        "A roll that is held for what its storage asked for goes on at a word of that storage.",
        (
            Edit(
                "handoff.tidings:TidingsReader._apply",
                "if self._is_spent(row.roll_id):\n    return []",
                "ran()",
            ),
        ),
        provoked_peers.storage_never_has_enough,
        4,
    ),
    Defect(
        "words of a storage without end",
        6,
        "What a storage says again and again fills the journal, which others wait for.",
        (
            Edit(
                "handoff.tidings:TidingsReader._trouble",
                "quiet = not self._told.is_left(self._peer)",
                "quiet = ran() and False",
            ),
        ),
        provoked_peers.storage_says_too_much,
        4,
    ),
    Defect(
        "fetched counts for what is sent anew",
        4,
        "What was fetched of a publication that is gone ends the sending of the next one.",
        (
            Edit(
                "handoff.tidings:_is_of_before",
                "return is_before(Stage.READY, stage) and is_before(row.stage, Stage.LANDED)",
                "return ran() and False",
            ),
        ),
        provoked_peers.fetch_ends_once_its_roll_is_sent_anew,
        4,
    ),
)

DEFECTS: tuple[Defect, ...] = (
    *(_DURABLE + _READ_BACK + _PUBLISHING),
    *(_PLACE + _SAID + _WAY + _CABLE + _PEERS),
)


def main(words: list[str]) -> int:
    """Plant every defect from several first seeds, and print within how many it was found."""
    logging.disable(logging.CRITICAL)
    wanted = [d for d in DEFECTS if not words or any(word in d.name for word in words)]
    sys.stdout.write(f"{'defect':38} promise  found within        median  bound  by, and said\n")
    missed = 0
    for defect in wanted:
        begun_s = time.process_time()
        within: list[int] = []
        said = ""
        for first in FIRST_SEEDS:
            try:
                found = defect.find(range(first, first + defect.seeds_max))
            except AssertionError as error:
                missed += 1
                said = f"NOT FOUND: {error}"
                break
            within.append(found.tried)
            said = found.said.splitlines()[0]
        median = statistics.median(within) if within else 0
        numbers = " ".join(str(count) for count in within)
        by = defect.found_by.__name__
        sys.stdout.write(
            f"{defect.name:38} {defect.promise:7}  {numbers:19} {median:7.0f} {defect.seeds_max:6}"
            f"  {by}: {said[:160]} ({time.process_time() - begun_s:.1f} s)\n"
        )
        sys.stdout.flush()
    return 1 if missed else 0


if __name__ == "__main__":
    assert BROKEN_PROMISE
    sys.exit(main(sys.argv[1:]))
