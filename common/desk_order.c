/*
 * desk_order.c: the orders that a step gives: keep, write, call back.
 * Must never order a write whose keeping was not ordered before it.
 */
#include "common/desk_state.h"

#include <string.h>

struct desk_order *desk_order_add(struct desk *desk, enum desk_order_kind kind) {
    INVARIANT(desk->order_count < DESK_ORDERS_MAX);
    struct desk_order *order = &desk->order[desk->order_count++];
    memset(order, 0, sizeof(*order));
    order->kind = kind;
    order->helper = desk->lasting.helper;
    return order;
}

enum error_code desk_keep(struct desk *desk, struct error *err) {
    struct buffer *kept = &desk->kept[desk->order_count];
    buffer_clear(kept);
    desk_kept_write(&desk->lasting, kept);
    if (kept->failed) {
        buffer_release(kept);
        return error_set(err, ERR_MEMORY, "what the desk keeps");
    }
    desk_order_add(desk, DESK_KEEP)->kept = buffer_slice(kept);
    desk->keep_due = false;
    return ERR_OK;
}

enum error_code desk_write(struct desk *desk, const struct desk_tag *tag, const struct epc *epc,
                           uint16_t pc, struct error *err) {
    struct desk_out *out = &desk->lasting.out;
    *out = (struct desk_out){
        .active = true, .number = ++desk->lasting.orders, .tag = *tag, .epc = *epc, .pc = pc};
    desk->in_doubt = desk->forgot = desk->has_granted = false;
    desk->field_say[0] = '\0';
    enum error_code code = desk_keep(desk, err);
    if (code != ERR_OK) {
        out->active = false;
        return code;
    }
    struct desk_order *order = desk_order_add(desk, DESK_WRITE);
    order->order = out->number;
    order->tag = out->tag;
    order->epc = out->epc;
    order->pc = out->pc;
    return ERR_OK;
}

void desk_forget(struct desk *desk) {
    if (desk->lasting.out.active && !desk->in_doubt && !desk->forgot) {
        desk_order_add(desk, DESK_FORGET)->order = desk->lasting.out.number;
        desk->forgot = true;
    }
}

const struct desk_order *desk_next(struct desk *desk) {
    return desk->order_next < desk->order_count ? &desk->order[desk->order_next++] : NULL;
}
